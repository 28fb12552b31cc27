"""The HTTP interface for programs."""
