"""From records of a plant to inputs of the model: stop logs and pick trials, with their errors."""
