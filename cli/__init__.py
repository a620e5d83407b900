"""lightgap.cli: the commands; the only package that prints."""
