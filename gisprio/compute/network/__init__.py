"""Network."""
