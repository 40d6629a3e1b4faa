"""Will the difference be heard: a proven decibel may be none to the ear."""

from __future__ import annotations

import math
from typing import Any, Final

from noisecheck.core.records import record

__all__ = ["JUST_NOTICEABLE", "Audible", "Threshold", "audible"]


@record
class Threshold:
    """A just-noticeable difference in level (dB), where it holds, and where it comes from."""

    name: str
    db: float
    source: str


JUST_NOTICEABLE: Final = (
    Threshold("laboratory", 1.0, "paired sounds straight after each other; common practice, no source"),
    Threshold("practice", 3.0, "everyday listening; common practice, no source"),
    Threshold(
        "rubber-ball impacts",
        4.66,
        "mean of 4.65 (wooden) and 4.67 dB (concrete floor), told apart by 75 % of listeners; abstract of a listening "
        "study on the rubber ball of ISO 10140-5",
    ),
)


@record
class Audible:
    """For each threshold ``yes``, ``no`` or ``maybe`` (the interval holds it), and one sentence."""

    answers: dict[str, str]
    sentence: str

    def to_dict(self) -> dict[str, Any]:
        """Return answers, sentence and the thresholds with their sources."""
        facts = [{"name": t.name, "db": t.db, "source": t.source} for t in JUST_NOTICEABLE]
        return {"answers": self.answers, "sentence": self.sentence, "thresholds": facts}


def audible(difference_db: float, ci_db: tuple[float, float]) -> Audible:
    """Return whether a level difference and its interval (dB; NaN where there is none) exceed what ears notice."""
    known = not math.isnan(ci_db[0])
    low, high = ci_db if known else (difference_db, difference_db)
    smallest = 0.0 if low <= 0 <= high else min(abs(low), abs(high))
    largest = max(abs(low), abs(high))
    answers: dict[str, str] = {}
    for threshold in JUST_NOTICEABLE:
        if largest < threshold.db:
            answers[threshold.name] = "no"
        else:
            answers[threshold.name] = "yes" if known and smallest >= threshold.db else "maybe"
    size = f"{abs(difference_db):.1f} dB"
    if answers["laboratory"] == "no":
        sentence = f"{size} will not be heard: under 1 dB is not noticed even in the laboratory"
    elif answers["practice"] == "no":
        sentence = f"{size} may be told apart side by side, but in practice takes about 3 dB to be noticed"
    elif answers["rubber-ball impacts"] == "yes":
        sentence = f"{size} will be heard: listeners told impacts of rubber balls apart from 4.66 dB on"
    elif answers["practice"] == "yes":
        sentence = f"{size} is enough to be noticed in practice (about 3 dB)"
    elif known:
        sentence = f"{size} may be heard: the interval holds the 3 dB that are noticed in practice"
    else:
        sentence = f"{size} may be heard (about 3 dB are noticed in practice), but so few runs give no interval"
    return Audible(answers, sentence)
