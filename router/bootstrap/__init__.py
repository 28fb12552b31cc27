"""Settings and wiring."""
