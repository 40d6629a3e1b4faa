"""What lies on the desk: rig file, run sheet and the catalogue of results."""
