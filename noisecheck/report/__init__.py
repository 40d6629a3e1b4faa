"""Figures, exports and the page."""

from __future__ import annotations

from noisecheck.report.page import write_report

__all__ = ["write_report"]
