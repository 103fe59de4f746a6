"""Setbacks."""
