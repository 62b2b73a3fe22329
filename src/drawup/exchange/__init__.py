"""Other people's formats: the public request and its answer, container codes, open code systems."""
