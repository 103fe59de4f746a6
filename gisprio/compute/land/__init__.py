"""Land."""
