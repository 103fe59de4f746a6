"""Scoring."""
