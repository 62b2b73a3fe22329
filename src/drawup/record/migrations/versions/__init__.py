"""One module for each form the record has had, in order."""
