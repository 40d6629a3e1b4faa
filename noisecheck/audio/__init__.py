"""Recordings, calibration and health."""
