"""Factors."""
