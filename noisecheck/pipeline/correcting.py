"""Corrections by ear, carried out: impacts taken out, put in, and placed where the user heard them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from noisecheck.bench.corrections import Correction
from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts
from noisecheck.core.units import to_seconds
from noisecheck.detect.channels import Onsets
from noisecheck.pipeline.tiles import opened_once
from noisecheck.pipeline.together import Take

__all__ = ["NEAR_S", "corrected", "relocated"]

NEAR_S = 0.05
"""A correction means the impact nearest to its time, within this."""
_SURE = 1e6
_SPAN_S = 0.005


def corrected(
    onsets: Onsets,
    impacts: Impacts,
    corrections: Sequence[Correction],
    take: Take,
    *,
    clock: Callable[[float], float],
) -> tuple[Onsets, Impacts, tuple[str, ...]]:
    """Return onsets and impacts without what was no ball and with what was missed, and what there is to say.

    ``clock`` turns a time of the run (s) into one of the recording.
    """
    rate = take.rate
    notes: list[str] = []
    for c in corrections:
        at = clock(c.time_s)
        row = _nearest(onsets.frame, round(at * rate), rate)
        if c.what == "not a ball":
            if row is None:
                notes.append(_idle(c))
                continue
            keep = np.arange(len(onsets)) != row
            onsets, impacts = onsets.where(keep), impacts.where(keep)
        elif c.what == "missed":
            if row is not None and abs(int(onsets.frame[row]) - at * rate) < 0.01 * rate:
                notes.append(f"corrections.csv, line {c.line}: an impact was found there by itself")
                continue
            if not 0 <= round(at * rate) < take.frames:
                notes.append(f"corrections.csv, line {c.line}: {c.time_s:g} s is outside the recording")
                continue
            onsets, place = _with(onsets, round(at * rate), take)
            (fresh,) = take.measured(onsets, [place])
            fresh = fresh.with_columns(flags=fresh["flags"] | np.uint32(Flag.CORRECTED))
            order = np.insert(np.arange(len(impacts)), place, len(impacts))
            impacts = Impacts.concat([impacts, fresh]).where(order)
            impacts = impacts.with_columns(
                frame=onsets.frame, time_s=to_seconds(onsets.frame, rate), channel=onsets.channel
            )
    return onsets, impacts, tuple(notes)


def relocated(impacts: Impacts, corrections: Sequence[Correction]) -> tuple[Impacts, tuple[str, ...]]:
    """Return the impacts of a run with stations as the user heard them, and what there is to say."""
    notes: list[str] = []
    told: dict[int, tuple[str, float]] = {}
    for c in corrections:
        if not c.station or c.what == "not a ball":
            continue
        near = np.abs(impacts["time_s"] - c.time_s)
        if not len(near) or near.min() > NEAR_S:
            notes.append(_idle(c))
            continue
        told[int(near.argmin())] = c.station, 1.0
    return impacts.at_stations(told, flag=Flag.CORRECTED), tuple(notes)


def _idle(c: Correction) -> str:
    return f"corrections.csv, line {c.line}: no impact within {1000 * NEAR_S:.0f} ms of {c.time_s:g} s"


def _nearest(frame: NDArray[np.int64], at: int, rate: int) -> int | None:
    if not len(frame):
        return None
    row = int(np.argmin(np.abs(frame - at)))
    return row if abs(int(frame[row]) - at) <= NEAR_S * rate else None


def _with(onsets: Onsets, at: int, take: Take) -> tuple[Onsets, int]:
    """Return the onsets with one more, on the channel whose sound rises most there, and its row."""
    span = round(_SPAN_S * take.rate)
    with opened_once(take.opened) as recording:
        power = recording.read(max(at - span, 0), at + span).astype(np.float64) ** 2
    before = min(at, span)
    after = power[before:].sum(axis=0) / span
    rise = after / (power[:before].sum(axis=0) / span + 1e-14)
    channel = int(np.argmax(rise))
    arrival = np.full((1, onsets.arrival.shape[1]), -1, np.int64)
    arrival[0, channel] = at
    level = np.full(arrival.shape, np.nan)
    level[0, channel] = 10.0 * np.log10(after[channel] + 1e-14)
    place = int(np.searchsorted(onsets.frame, at))
    more = replace(
        onsets,
        frame=np.insert(onsets.frame, place, at),
        channel=np.insert(onsets.channel, place, channel),
        odds=np.insert(onsets.odds, place, _SURE),
        arrival=np.insert(onsets.arrival, place, arrival, axis=0),
        level_db=np.insert(onsets.level_db, place, level, axis=0),
    )
    return more, place
