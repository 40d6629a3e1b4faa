"""Where impacts begin."""
