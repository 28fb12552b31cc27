"""The command line: translate in, call one use case, translate out."""
