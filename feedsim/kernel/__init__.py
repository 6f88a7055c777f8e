"""The same model compiled: it skips from change to change, equal to the last microsecond."""
