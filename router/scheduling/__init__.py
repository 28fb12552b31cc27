"""Scheduling: plates on machines over time. The problem as arrays and the search that solves it; see MODEL.md."""
