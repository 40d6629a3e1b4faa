"""Watching a machine while it runs: sources of sound, the follower, and what is kept of it."""
