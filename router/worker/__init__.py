"""Takes jobs from the store and works them off."""
