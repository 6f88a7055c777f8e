"""The questions that feedsim answers, each a function from a config to a result."""
