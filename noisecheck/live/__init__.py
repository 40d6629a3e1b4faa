"""Listening live."""
