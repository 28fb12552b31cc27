"""One application of API and pages."""
