"""Compute."""
