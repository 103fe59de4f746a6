"""Contracts."""
