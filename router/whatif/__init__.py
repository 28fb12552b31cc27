"""What would change: scenarios, their simulation, where a site should stand, when a plate should wait."""
