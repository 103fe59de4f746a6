"""Products."""
