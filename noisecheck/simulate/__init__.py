"""Recordings with exactly known truth."""
