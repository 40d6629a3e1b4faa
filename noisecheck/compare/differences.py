"""What a comparison says: groups of runs, differences between them, and what to know about them."""

from __future__ import annotations

import math
from dataclasses import field
from typing import Any

from noisecheck.compare.hearing import Audible, audible
from noisecheck.compare.why import Reason
from noisecheck.core.records import record
from noisecheck.core.units import rounded, rounded_pair, significant

__all__ = ["Comparison", "Difference", "Group"]


@record
class Group:
    """One side: its runs, its impacts, and the mean of run means of each level with a t interval (dB)."""

    value: str
    runs: int
    impacts: int
    levels: dict[str, float]
    ci: dict[str, tuple[float, float]]
    energy_lae_db: float
    bands: dict[str, float]
    excluded: dict[str, int]
    run_names: tuple[str, ...]
    run_lae_db: tuple[float, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the group as plain values (None = not measurable, or one run only)."""
        return {
            "value": self.value,
            "runs": self.runs,
            "impacts": self.impacts,
            "lae_db": rounded(self.levels["lae_db"]),
            "ci_db": rounded_pair(*self.ci["lae_db"]),
            **{k: rounded(v) for k, v in self.levels.items() if k != "lae_db"},
            "lae_energy_mean_db": rounded(self.energy_lae_db),
            "bands": {k: rounded(v) for k, v in self.bands.items()},
            "excluded": self.excluded,
            "run_names": list(self.run_names),
            "run_lae_db": [rounded(v) for v in self.run_lae_db],
        }


@record
class Difference:
    """One level of one value against the baseline. Bands and the reason stand with ``lae_db`` only."""

    value: str
    measure: str
    difference_db: float
    ci_db: tuple[float, float]
    p: float
    verdict: str
    """``quieter``, ``louder``, ``no difference shown`` or ``not comparable``."""
    indicative: bool = False
    """Whether a side has a single run: a figure without an interval."""
    at_least: bool = False
    """Whether the difference is a bound, for what the mean of the one side lacks (impacts that clipped) may be more
    than chance leaves open; the far end of the interval takes it in (infinite where it is not known)."""
    lacking: str = ""
    """What a mean lacks, where for that only a bound is known, or what comes out quieter or louder is not shown."""
    energy_difference_db: float = math.nan
    df: float = math.nan
    standard_error_db: float = math.nan
    runs: tuple[int, int] = (0, 0)
    balanced_for: tuple[str, ...] = ()
    bands: dict[str, dict[str, Any]] = field(default_factory=dict)
    decay: dict[str, Any] = field(default_factory=dict)
    centroid: dict[str, Any] = field(default_factory=dict)
    why: Reason | None = None
    warnings: tuple[str, ...] = ()

    @property
    def size(self) -> str:
        """``4.4 dB quieter``, or ``at least 2.9 dB quieter`` where only a bound is known."""
        way = "quieter" if self.difference_db < 0 else "louder"
        if self.at_least:
            return f"at least {self.least_db:.1f} dB {way}"
        return f"{abs(self.difference_db):.1f} dB {way}"

    @property
    def least_db(self) -> float:
        """The end of the interval next to 0, without its sign."""
        return min(abs(v) for v in self.ci_db)

    @property
    def heard(self) -> Audible:
        """Whether it will be heard, as far as it is shown."""
        return audible(self.least_db if self.at_least else self.difference_db, self.ci_db)

    def to_dict(self) -> dict[str, Any]:
        """Return the difference as plain values."""
        return {
            "value": self.value,
            "measure": self.measure,
            "difference_db": rounded(self.difference_db),
            "ci_db": rounded_pair(*self.ci_db),
            "p": significant(self.p),
            "verdict": self.verdict,
            "indicative": self.indicative,
            "at_least": self.at_least,
            "energy_difference_db": rounded(self.energy_difference_db),
            "df": rounded(self.df),
            "standard_error_db": rounded(self.standard_error_db, 4),
            "runs": list(self.runs),
            "balanced_for": list(self.balanced_for),
            "bands": self.bands,
            "decay": self.decay,
            "centroid": self.centroid,
            "why": self.why.to_dict() if self.why else {},
            "heard": self.heard.to_dict() if math.isfinite(self.difference_db) else {},
            "warnings": list(self.warnings),
        }


@record
class Comparison:
    """The whole answer of ``compare``: groups, differences and what to know about them."""

    by: str
    baseline: str
    station: str | None
    db_re: str
    groups: tuple[Group, ...]
    differences: tuple[Difference, ...]
    confidence: float = 0.95
    warnings: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the document that ``compare --json`` prints."""
        return {
            "by": self.by,
            "baseline": self.baseline,
            "station": self.station,
            "db_re": self.db_re,
            "confidence": self.confidence,
            "groups": [g.to_dict() for g in self.groups],
            "differences": [d.to_dict() for d in self.differences],
            "warnings": list(self.warnings),
        }

    def of(self, value: str, measure: str = "lae_db") -> Difference:
        """Return one difference; raises ``KeyError``."""
        for difference in self.differences:
            if (difference.value, difference.measure) == (value, measure):
                return difference
        raise KeyError((value, measure))
