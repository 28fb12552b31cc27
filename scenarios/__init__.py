"""Invented shops, orders and part models to plan with."""
