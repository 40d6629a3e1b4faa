"""Which impacts are worth hearing, and their sound as small WAV clips inside the page.

A level is odd where its modified z-score, 0.6745 (x - median) / MAD, is above 3.5 in its run and station (Iglewicz
and Hoaglin 1993, How to Detect and Handle Outliers, as given in the NIST/SEMATECH e-Handbook, 1.3.5.17). Rebounds are
quieter by nature: they are not looked at, and where they are not told apart only louder ones are odd.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.split import join_recordings
from noisecheck.core.errors import InputError
from noisecheck.core.flags import Flag
from noisecheck.pipeline.campaign import CampaignResult, RunResult

__all__ = ["Clip", "Moment", "Picked", "clips_at", "clips_of", "odd_impacts", "pick", "wav_data_uri"]

BEFORE_S: Final = 0.08
LENGTH_S: Final = 0.5
_LEAD_S: Final = 0.35
_MOMENT_S: Final = 1.0
_ODD_Z: Final = 3.5
_LEAST_MAD_DB: Final = 1.0  # where nearly all impacts agree, a decibel is no outlier
_FEWEST: Final = 8
_ODD: Final = 2  # the stage of odd impacts, behind the loudest and the median of each run
_FASTEST: Final = 48_000  # clips of faster recordings are resampled: nobody hears the difference, the page stays small
_PLAIN: Final = 24_000  # longer ones, and odd ones where not all fit: 12 kHz are enough to tell what a sound was
_PLAIN_S: Final = 0.3
_PEAK: Final = 0.7  # clips are raised to this peak, so that 16 bits are enough for the quiet ones


@dataclass(frozen=True)
class Picked:
    """One impact worth hearing: its run, its row in the run's table, and why."""

    run: str
    row: int
    why: tuple[str, ...]
    odd: bool
    rank: tuple[int, int]
    """Whose turn it is where not all can be heard: stage (loudest, median, odd), then place in its run."""


@dataclass(frozen=True)
class Moment:
    """A time in a run (s) worth hearing, with what is around it."""

    run: str
    time_s: float


@dataclass(frozen=True)
class Clip:
    """A short piece of sound as a data URI, and by how many dB it was raised."""

    uri: str
    raised_db: float
    seconds: float


def odd_impacts(run: RunResult) -> dict[int, tuple[str, ...]]:
    """Return the odd rows of a run's table, each with its reasons in words."""
    table = run.impacts
    found: dict[int, list[str]] = {}

    def mark(rows: NDArray[np.bool_], why: str) -> None:
        for row in np.flatnonzero(rows):
            found.setdefault(int(row), []).append(why)

    mark(table.flagged(Flag.CLIPPED), "clipped: its levels are lower bounds")
    mark(table.flagged(Flag.NONFINITE), "samples that are no numbers")
    mark(table.flagged(Flag.UNPLACED), "unplaced: no station accounts for it")
    if run.run.role == "background" or run.run.balls_fed == 0:
        mark(np.ones(len(table), bool), "heard although no ball was fed")
    level, station, rebound = (table.data[k] for k in ("lae_db", "station", "rebound"))
    for code in np.unique(station):
        here = (station == code) & np.isfinite(level) & (rebound <= 0)
        if here.sum() < _FEWEST:
            continue
        middle = float(np.median(level[here]))
        spread = max(float(np.median(np.abs(level[here] - middle))), _LEAST_MAD_DB)
        far = np.where(here, 0.6745 * (level - middle) / spread, 0.0)
        for sign, word in ((1, "louder"), (-1, "quieter")):
            for row in np.flatnonzero((sign * far > _ODD_Z) & ((sign > 0) | (rebound == 0))):
                away = abs(float(level[row]) - middle)
                found.setdefault(int(row), []).append(f"{away:.0f} dB {word} than the median here")
    return {row: tuple(why) for row, why in sorted(found.items())}


def pick(result: CampaignResult, *, most: int) -> tuple[Picked, ...]:
    """Return the loudest, the median and the odd impacts of each run, at most ``most``, in the order of the run sheet.

    Where there are too many, the loudest of each run go first, then medians, then the oddest of each run in turn.
    """
    queues: list[list[tuple[int, int, int]]] = []  # per run: (stage, turn, row)
    reasons: list[dict[int, list[str]]] = []
    odd_rows: list[set[int]] = []
    for run in result.runs:
        level = run.impacts.data["lae_db"]
        rows = np.flatnonzero(np.isfinite(level))
        odd = odd_impacts(run)
        why: dict[int, list[str]] = {}
        wanted: list[tuple[int, int, int]] = []
        if rows.size:
            loudest = int(rows[np.argmax(level[rows])])
            median = int(rows[np.argsort(level[rows], kind="stable")[(rows.size - 1) // 2]])
            why.setdefault(loudest, []).append("loudest of the run")
            why.setdefault(median, []).append("median of the run")
            wanted += [(0, 0, loudest), (1, 0, median)]
        order = sorted(odd, key=lambda r: (-len(odd[r]), -float(np.nan_to_num(level[r], nan=-999.0)), r))
        for turn, row in enumerate(order):
            why.setdefault(row, []).extend(odd[row])
            wanted.append((_ODD, turn, row))
        queues.append(wanted)
        reasons.append(why)
        odd_rows.append(set(odd))
    order_all = sorted((stage, turn, number, row) for number, q in enumerate(queues) for stage, turn, row in q)
    chosen: dict[tuple[int, int], tuple[int, int]] = {}
    for stage, turn, number, row in order_all:
        if len(chosen) >= most:
            break
        chosen.setdefault((number, row), (stage, turn))
    return tuple(
        Picked(result.runs[number].run.name, row, tuple(reasons[number][row]), row in odd_rows[number], rank)
        for (number, row), rank in sorted(chosen.items())
    )


def clips_of(result: CampaignResult, picked: Sequence[Picked], *, most_bytes: int) -> dict[tuple[str, int], Clip]:
    """Return clips by (run, row) until their text is ``most_bytes`` long; recordings that are gone give none.

    Where they would not all fit, the odd ones are kept shorter and at a lower sample rate.
    """
    rates = {r.run.name: min(r.rate, _FASTEST) for r in result.runs}
    crowded = sum(4 / 3 * 2 * LENGTH_S * rates[p.run] for p in picked) > most_bytes
    plain = {(p.run, p.row) for p in picked if crowded and p.rank[0] == _ODD}
    clips: dict[tuple[str, int], Clip] = {}
    used = 0
    runs = {r.run.name: r for r in result.runs}
    ranked = sorted(picked, key=lambda p: p.rank)
    for name in dict.fromkeys(p.run for p in ranked):
        run = runs[name]
        try:
            pieces = _read(run, [p.row for p in ranked if p.run == name])
        except InputError:
            continue
        for row, samples in pieces.items():
            if (name, row) in plain:
                clips[name, row] = _clip(samples[: round(_PLAIN_S * run.rate)], run.rate, _PLAIN)
            else:
                clips[name, row] = _clip(samples, run.rate)
    kept: dict[tuple[str, int], Clip] = {}
    for p in ranked:
        clip = clips.get((p.run, p.row))
        if clip is not None and used + len(clip.uri) <= most_bytes:
            kept[p.run, p.row] = clip
            used += len(clip.uri)
    return kept


def clips_at(result: CampaignResult, moments: Sequence[Moment], *, most_bytes: int) -> dict[Moment, Clip]:
    """Return clips of moments, earlier ones in the list first, until their text is ``most_bytes`` long."""
    runs = {r.run.name: r for r in result.runs}
    kept: dict[Moment, Clip] = {}
    used = 0
    for name in dict.fromkeys(m.run for m in moments):
        run = runs[name]
        each = 4 / 3 * 2 * _MOMENT_S * min(run.rate, _PLAIN)
        try:
            recording = join_recordings(run.paths)
        except InputError:
            continue
        with recording:
            for moment in dict.fromkeys(m for m in moments if m.run == name):
                if used + each > most_bytes:
                    continue
                start = max(round((moment.time_s - _LEAD_S) * run.rate), 0)
                channel = min(_channel_at(run, moment.time_s), recording.channels - 1)
                clip = _clip(recording.read(start, start + round(_MOMENT_S * run.rate))[:, channel], run.rate, _PLAIN)
                if clip.seconds > 0:
                    kept[moment] = clip
                    used += len(clip.uri)
    return kept


def _channel_at(run: RunResult, time_s: float) -> int:
    """Return the channel of the impact nearest in time, 0 where there is none."""
    times = run.impacts.data["time_s"]
    return max(int(run.impacts.data["channel"][int(np.argmin(np.abs(times - time_s)))]), 0) if len(times) else 0


def _read(run: RunResult, rows: Sequence[int]) -> dict[int, NDArray[np.float32]]:
    """Return the samples around each row on the channel measured."""
    found: dict[int, NDArray[np.float32]] = {}
    with join_recordings(run.paths) as recording:
        for row in sorted(rows):
            start = int(run.impacts.data["frame"][row]) - round(BEFORE_S * run.rate)
            channel = min(max(int(run.impacts.data["channel"][row]), 0), recording.channels - 1)
            found[row] = recording.read(max(start, 0), start + round(LENGTH_S * run.rate))[:, channel]
    return found


def _clip(samples: NDArray[np.float32], rate: int, fastest: int = _FASTEST) -> Clip:
    finite = np.nan_to_num(samples, nan=0.0, posinf=0.0, neginf=0.0).astype(np.float64)
    peak = float(np.max(np.abs(finite), initial=0.0))
    if rate > fastest and len(finite):
        import soxr

        finite, rate = np.asarray(soxr.resample(finite, rate, fastest), np.float64), fastest
    gain = _PEAK / peak if peak > 0 else 1.0
    fade = min(len(finite), round(0.005 * rate))
    shaped = finite * gain
    if fade:
        shaped[-fade:] *= np.linspace(1.0, 0.0, fade)
    return Clip(wav_data_uri(shaped, rate), 20 * float(np.log10(gain)), len(finite) / rate)


def wav_data_uri(samples: NDArray[np.float64], rate: int) -> str:
    """Return mono samples (frames,) of full scale 1.0 as a 16-bit WAV in a ``data:`` URI."""
    import wave

    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(rate)
        file.writeframes(np.clip(np.round(samples * 32767), -32768, 32767).astype("<i2").tobytes())
    return "data:audio/wav;base64," + base64.b64encode(out.getvalue()).decode("ascii")
