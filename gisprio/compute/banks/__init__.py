"""Banks."""
