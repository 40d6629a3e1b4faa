"""Figures, exports and the page."""
