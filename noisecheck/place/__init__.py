"""Where an impact happened."""
