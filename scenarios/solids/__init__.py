"""Part solids made by script: one module per branch of a contract printer's trade."""
