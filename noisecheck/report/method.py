"""How the figures came about: recordings, settings and versions, so that they can be made again."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

from noisecheck.core.errors import InputError, one_line
from noisecheck.core.files import fingerprint
from noisecheck.core.table import COLUMNS
from noisecheck.report.context import Context, Place, Section

__all__ = ["method_section"]

_MOST_HASHED: Final = 256 * 2**20
"""Larger recordings are named by their size alone: reading them again would take longer than the page."""


def method_section(context: Context) -> Section:
    """Return recordings with checksums, settings, versions and the meaning of the columns."""
    result = context.result
    recordings = []
    for run in result.runs:
        for name, path in zip(run.run.files, run.paths, strict=True):
            size, digest = _identity(path)
            facts = {"run": one_line(run.run.name), "file": one_line(name), "bytes": size, "sha256": digest}
            recordings.append({**facts, "seconds": round(run.seconds, 3), "rate": run.rate, "channels": run.channels})
    return Section(
        key="recordings",
        title="Method, settings, origin",
        place=Place.METHOD,
        template="method.html",
        data={
            "recordings": recordings,
            "settings": list(_flat(result.settings)),
            "made_with": sorted(result.made_with.items()),
            "columns": [c for c in COLUMNS if c.listed],
            "unit": context.unit,
            "calibrated": "full scale" not in context.db_re,
        },
        document=recordings,
    )


def _identity(path: Path) -> tuple[int | None, str | None]:
    """Return size in bytes and SHA-256; None for what cannot be had (large files are named by size alone)."""
    try:
        size = path.stat().st_size
        return size, fingerprint(path) if size <= _MOST_HASHED else None
    except (OSError, InputError):
        return None, None


def _flat(settings: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, str]]:
    for key, value in settings.items():
        name = f"{prefix}{key}"
        if isinstance(value, Mapping):
            yield from _flat(value, f"{name}.")
        else:
            yield name, f"{value:.6g}" if isinstance(value, float) else one_line(value)
