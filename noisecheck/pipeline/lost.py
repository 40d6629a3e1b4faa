"""Spans in which a recording lost all sound: time that nobody listened to, though its clock went on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.health import Health
from noisecheck.core.table import Impacts

__all__ = ["HIDES_S", "at_return", "few_enough", "lost_notes", "lost_spans"]

HIDES_S: Final = 0.1
"""Shorter spans hide no impact: what rings or bounces behind them shows it."""
_OFTEN: Final = 0.1
"""Silences an impact above which they are a noise gate's, which closes when a drop has died away, drop after drop."""


_RETURN_S: Final = 0.002
_RETURN_DB: Final = 10.0
"""What comes back so soon and stands no further out of the background is the background: within chance of it."""


def few_enough(spans: int, impacts: int) -> bool:
    """Return whether so many spans of silence beside so many impacts are lost sound and no gate's."""
    return spans <= _OFTEN * impacts


def lost_spans(impacts: Impacts, health: Health) -> tuple[tuple[float, float], ...]:
    """Return spans in s of the recording in which every live channel gave exact zeros, but not because of a gate.

    Args:
        impacts: of the recording, in its own frames.
        health: of the recording.
    """
    alive = [c.zeros for number, c in enumerate(health.channels) if number not in health.between.dead]
    if not alive:
        return ()
    spans = alive[0]
    for more in alive[1:]:
        spans = _in_both(spans, more)
    spans = spans[np.diff(spans, axis=1)[:, 0] >= HIDES_S * health.rate]
    if not few_enough(len(spans), len(impacts)):
        return ()
    return tuple((start / health.rate, stop / health.rate) for start, stop in spans.tolist())


def at_return(impacts: Impacts, spans: Sequence[tuple[float, float]], rate: float) -> NDArray[np.bool_]:
    """Return which impacts are the background that begins again after lost sound: a step, and nothing struck.

    What stands far out of it was struck: a gate opens for the first drop after each pause.

    Args:
        impacts: of the recording, in its own frames.
        spans: in s of the recording, from :func:`lost_spans`.
        rate: frames a second.
    """
    back = np.zeros(len(impacts), bool)
    for _, stop in spans:
        back |= np.abs(impacts["frame"] / rate - stop) <= _RETURN_S
    return back & (impacts["margin_db"] < _RETURN_DB)


def lost_notes(spans: Sequence[tuple[float, float]]) -> tuple[str, ...]:
    """Return what there is to say of spans in s in which all sound was lost."""
    if not spans:
        return ()
    lost_s = sum(stop - start for start, stop in spans)
    return (f"{lost_s:.3g} s of exact silence inside the sound count as not listened to",)


def _in_both(one: NDArray[np.int64], other: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return where spans of two lists, each in order and apart, overlap."""
    found: list[Sequence[int]] = []
    at = 0
    for start, stop in one.tolist():
        while at < len(other) and other[at, 1] <= start:
            at += 1
        k = at
        while k < len(other) and other[k, 0] < stop:
            found.append((max(start, int(other[k, 0])), min(stop, int(other[k, 1]))))
            k += 1
    return np.array(found, np.int64).reshape(-1, 2)
