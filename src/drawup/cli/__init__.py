"""The use cases from a terminal. Nothing slow is imported until a command is really run."""
