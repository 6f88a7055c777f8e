"""Exit codes of the command line."""

DONE, TARGET_MISSED, BAD_INPUT, PART_FAILED, PROGRAM_FAULT, INTERRUPTED = 0, 1, 2, 3, 4, 130
