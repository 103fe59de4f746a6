"""Faces."""
