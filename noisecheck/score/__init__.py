"""Matching what was found with what is true."""
