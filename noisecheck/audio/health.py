"""What a recording is good for: levels, counts, times and bands, each usable, a bound only, or not usable, and why."""

from __future__ import annotations

from dataclasses import field
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from noisecheck.audio.channels import Channels, ChannelScan, better_channel
from noisecheck.audio.clipping import MARGIN_FRAMES, ClippingScan
from noisecheck.audio.dropouts import REACH_S, DropoutScan
from noisecheck.audio.grid import CodecMade, codec_made
from noisecheck.audio.ranges import Ranges
from noisecheck.audio.recording import Coding, Recording, blocks, is_lossy
from noisecheck.audio.riding import GainRiding, find_onsets, judge_riding
from noisecheck.audio.spectrum import FRAMES_PER_TILE, Hum, SpectrumScan, frame_length
from noisecheck.core.records import record
from noisecheck.core.units import rounded

__all__ = ["ChannelHealth", "Fitness", "Health", "Verdict", "check_health"]

Verdict = Literal["usable", "bound only", "not usable"]
_ORDER: Final[tuple[Verdict, ...]] = ("usable", "bound only", "not usable")

_STANDS_OUT_DB: Final = 6.0  # on average over the octaves, which chance does not give to noise in all of them
_QUIET_AFTER_S: Final = 0.3
_FAINT_DB: Final = 12.0
"""In 43 ms of its best octave: what a codec makes of steady noise rises by no more."""


@record
class Fitness:
    """Whether something can be had from a recording, and why not."""

    verdict: Verdict = "usable"
    reasons: tuple[str, ...] = ()

    def and_so(self, verdict: Verdict, reason: str) -> Fitness:
        """Return it with another reason; the worst verdict stands."""
        worst = max(self.verdict, verdict, key=_ORDER.index)
        return Fitness(worst, (*self.reasons, reason) if reason not in self.reasons else self.reasons)


@record
class ChannelHealth:
    """Findings in one channel."""

    peak: float
    """Largest absolute sample, full scale 1.0."""
    rms_db: float
    dc: float
    clipped: NDArray[np.int64]
    """Clipped frames as ranges, (m, 2); spans closer than 1 ms are one."""
    rail: float | None
    """Where tops are cut off (after a codec: where crests crowd), full scale 1.0; None where there are none."""
    above_one: int
    """Samples above 1.0 in size."""
    zeros: NDArray[np.int64]
    """Spans of exact zeros inside the sound, (m, 2)."""
    repeated: NDArray[np.int64]
    """Spans that repeat the buffer before them, (m, 2)."""
    floor_db: tuple[float, ...]
    """Noise floor per octave band, dB re full scale."""
    margin_db: tuple[float, ...]
    """Impacts above the floor per octave band, dB (median, in 43 ms); NaN where no impact was heard."""
    band_limit_hz: float | None
    hum: Hum | None


@record
class Health:
    """What a recording is good for, and the findings behind it. Frames are those of the recording."""

    name: str
    rate: int
    frames: int
    channels: tuple[ChannelHealth, ...]
    between: Channels
    best_channel: int
    octaves_hz: tuple[float, ...]
    impacts: int
    """Impacts given, or found by a crude look at rises of level."""
    riding: GainRiding
    codec_made: CodecMade | None
    """Faint impacts that crowd on the grid of the codec's blocks; known only where onsets were given."""
    bits_a_sample: float | None
    """What a lossy codec spent on each sample of each channel, bits."""
    nonfinite: NDArray[np.int64]
    """Frames with NaN or infinite samples (read as 0), (m, 2)."""
    levels: Fitness
    counts: Fitness
    times: Fitness
    bands: Fitness
    notes: tuple[str, ...] = field(default=())
    """What was lost or put right in reading the file, and what to know besides."""

    @property
    def clipped(self) -> NDArray[np.int64]:
        """Clipped frames of the channel to listen to, (m, 2)."""
        return self.channels[self.best_channel].clipped

    @property
    def usable_hz(self) -> float:
        """Highest frequency the recording carries, Hz."""
        limit = self.channels[self.best_channel].band_limit_hz
        return limit if limit is not None else self.rate / 2

    @property
    def has_audio(self) -> bool:
        """Whether any channel holds more than equal samples."""
        return len(self.between.silent) < len(self.channels)

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain values for JSON (NaN as None; ranges in seconds)."""
        seconds = [
            {
                "peak": round(c.peak, 6), "rms_db": c.rms_db, "dc": round(c.dc, 6), "rail": rounded(c.rail, 5),
                "clipped_s": _seconds(c.clipped, self.rate), "samples_above_1": c.above_one,
                "zeros_s": _seconds(c.zeros, self.rate), "repeated_s": _seconds(c.repeated, self.rate),
                "floor_db": [rounded(v, 2) for v in c.floor_db], "margin_db": [rounded(v, 2) for v in c.margin_db],
                "band_limit_hz": rounded(c.band_limit_hz, 0),
                "hum": None if c.hum is None else {"mains_hz": c.hum.mains_hz, "level_db": rounded(c.hum.level_db, 2)},
            }
            for c in self.channels
        ]  # fmt: skip
        return {
            "name": self.name, "rate_hz": self.rate, "seconds": round(self.frames / self.rate, 6),
            "good_for": {
                what: {"verdict": f.verdict, "reasons": list(f.reasons)}
                for what, f in (
                    ("levels", self.levels), ("counts", self.counts), ("times", self.times), ("bands", self.bands)
                )
            },
            "notes": list(self.notes), "best_channel": self.best_channel, "impacts": self.impacts,
            "usable_hz": round(self.usable_hz), "octaves_hz": [round(f, 1) for f in self.octaves_hz],
            "gain_riding": {
                "found": self.riding.found, "rise_db": self.riding.rise_db, "release_s": self.riding.release_s,
                "curve": [list(p) for p in self.riding.curve], "why_not": self.riding.why_not,
            },
            "codec_made": None if self.codec_made is None else round(self.codec_made.count),
            "bits_a_sample": rounded(self.bits_a_sample, 2),
            "dead": list(self.between.dead), "inverted": [list(p) for p in self.between.inverted],
            "duplicate": [list(p) for p in self.between.duplicate],
            "nonfinite_s": _seconds(self.nonfinite, self.rate), "channels": seconds,
        }  # fmt: skip

    def sentences(self) -> tuple[str, ...]:
        """Return the findings as plain sentences: what it is good for first, then the notes."""
        told = []
        for what, fitness in (
            ("levels", self.levels), ("counts", self.counts), ("times", self.times), ("bands", self.bands)
        ):  # fmt: skip
            why = f": {'; '.join(fitness.reasons)}" if fitness.reasons else ""
            told.append(f"{what}: {fitness.verdict}{why}")
        return (*told, *self.notes)


def _seconds(ranges: NDArray[np.int64], rate: int) -> list[list[float]]:
    return [[round(a / rate, 6), round(b / rate, 6)] for a, b in ranges[:1000].tolist()]


def _made_by_codec(
    recording: Recording, onsets: NDArray[np.int64] | None, levels: NDArray[np.float32], channel: ChannelHealth
) -> CodecMade | None:
    """Return the codec's own among the faint of the given onsets."""
    if onsets is None or not len(levels):
        return None
    onsets = np.sort(onsets)
    at = onsets // frame_length(recording.rate)
    onsets, at = onsets[at < len(levels) - 1], at[at < len(levels) - 1]
    rise = np.max(np.maximum(levels[at], levels[at + 1]) - np.array(channel.floor_db), axis=1, initial=-np.inf)
    return codec_made(onsets[rise < _FAINT_DB], str(getattr(recording, "subtype", "")))


class _ChannelScans:
    """The accumulators of one channel."""

    def __init__(self, recording: Recording) -> None:
        rate = recording.rate
        coding: Coding = getattr(recording, "coding", "integer")
        step = float(getattr(recording, "step", 2.0**-15 if coding == "integer" else 0.0))
        self.clipping = ClippingScan(coding, step, rate=rate)
        self.dropouts = DropoutScan(rate=rate, step=step, frames=recording.frames)
        self.spectrum = SpectrumScan(rate, step=step)

    def health(self, rms_db: float, onsets: NDArray[np.int64], quiet: NDArray[np.bool_]) -> ChannelHealth:
        levels = self.spectrum.levels()
        at = onsets[onsets < len(levels) - 1]
        empty = np.full(len(self.spectrum.midbands), np.nan)
        floor = empty
        if len(levels):
            still = levels[quiet[: len(levels)]] if quiet[: len(levels)].sum() >= 8 else None
            floor = np.median(still, axis=0) if still is not None else np.percentile(levels, 20, axis=0)
        margin = _usual_margin(np.maximum(levels[at], levels[at + 1]) - floor) if len(at) else empty
        rail, clipped = self.clipping.clipped()
        return ChannelHealth(
            self.clipping.peak, rms_db, self.spectrum.dc, clipped, rail,
            self.clipping.above_one, self.dropouts.zeros(), self.dropouts.repeated(),
            tuple(np.round(floor, 2).tolist()), tuple(np.round(margin, 2).tolist()),
            self.spectrum.band_limit_hz(), self.spectrum.hum(),
        )  # fmt: skip


def _usual_margin(margins: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the median margin (dB) per octave, (octaves,), over those impacts, (n, octaves), that stand out at all.

    What ticks faintly all the time (a lift) would say little of the impacts that are to be measured.
    """
    with np.errstate(invalid="ignore"):
        clear = margins.mean(axis=1) >= _STANDS_OUT_DB
    return np.asarray(np.median(margins[clear] if clear.any() else margins, axis=0))


def check_health(recording: Recording, *, onsets: ArrayLike | None = None) -> Health:
    """Say what a recording is good for, in one pass and flat memory.

    Args:
        recording: any recording; read once from beginning to end.
        onsets: frames at which impacts begin, where they are known; else rises of level are taken for impacts.
    """
    scans = [_ChannelScans(recording) for _ in range(recording.channels)]
    between = ChannelScan(recording.channels)
    nonfinite = Ranges()
    n = frame_length(recording.rate)
    before = max(int(REACH_S * recording.rate), MARGIN_FRAMES)
    for block in blocks(recording, block_frames=FRAMES_PER_TILE * n, before_frames=before, after_frames=MARGIN_FRAMES):
        x = np.ascontiguousarray(block.samples.T)
        low, high = block.start - block.origin, block.stop - block.origin
        if low >= x.shape[1]:
            break
        own = np.ascontiguousarray(x[:, low:high])
        lead = next((c for c in range(len(own)) if own[c].any()), 0)
        slow = []
        near = max(low - MARGIN_FRAMES, 0)
        for c, scan in enumerate(scans):
            slow.append(scan.spectrum.add(own[c]))
            scan.clipping.add(x[c, near:], block.origin + near, block.start, block.stop)
            scan.dropouts.add(x[c], block.origin, block.start, block.stop, repeats=c == lead)
        between.add(own, np.stack(slow))
    nonfinite.add(getattr(recording, "nonfinite", np.empty((0, 2), np.int64)))
    return _judge(recording, scans, between.judge(), nonfinite.array(), onsets)


def _judge(
    recording: Recording, scans: list[_ChannelScans], between: Channels, nonfinite: NDArray[np.int64],
    onsets: ArrayLike | None,
) -> Health:  # fmt: skip
    rate, n = recording.rate, frame_length(recording.rate)
    loudest = int(np.argmax(between.level_db))
    levels = scans[loudest].spectrum.levels()
    given = None if onsets is None else np.asarray(onsets, dtype=np.int64).reshape(-1)
    places = find_onsets(levels) if given is None else np.unique(given // n)
    count = len(places) if given is None else len(given)
    quiet = np.ones(len(levels), bool)
    after = max(round(_QUIET_AFTER_S * rate / n), 1)
    for k in range(-1, after):
        quiet[np.clip(places + k, 0, max(len(levels) - 1, 0))] = False
    channels = tuple(
        scan.health(between.level_db[c], places, quiet) for c, scan in enumerate(scans)
    )  # fmt: skip
    midbands = scans[0].spectrum.midbands
    margins = np.array([c.margin_db for c in channels]).reshape(len(channels), len(midbands))
    best = better_channel(between, margins, [len(c.clipped) for c in channels], midbands)
    spectrum = scans[best].spectrum
    riding = judge_riding(spectrum.levels(), spectrum.peaks_db(), places, n / rate)
    health = Health(
        recording.name, rate, recording.frames, channels, between, best, tuple(midbands.tolist()), count, riding,
        _made_by_codec(recording, given, spectrum.levels(), channels[best]), getattr(recording, "bits_a_sample", None),
        nonfinite, Fitness(), Fitness(), Fitness(), Fitness(), tuple(getattr(recording, "notes", ())),
    )  # fmt: skip
    from noisecheck.audio.fitness import judged

    return judged(health, delay_known=bool(getattr(recording, "delay_known", True)),
                  lossy=is_lossy(recording), subtype=str(getattr(recording, "subtype", "")))  # fmt: skip
