"""From findings to words: the verdicts of :class:`noisecheck.audio.health.Health` and their reasons."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.health import ChannelHealth, Health
from noisecheck.core.bands import NOMINAL_THIRD_HZ
from noisecheck.core.errors import listed
from noisecheck.core.units import many

__all__ = ["judged"]

_BOUND_DB: Final = 3.0
_LOW_DB: Final = 6.0
_DC: Final = 0.003
_HUM_DB: Final = -70.0
_POOR_BITS: Final = 1.5  # a sample: 72 kb/s at 48 kHz
_EIGHT_BITS: Final = ("PCM_U8", "PCM_S8", "ULAW", "ALAW")
_FEW_DROPOUTS_S: Final = 0.001  # share of the time lost up to which counts stay good


def judged(health: Health, *, delay_known: bool, lossy: bool, subtype: str) -> Health:
    """Return ``health`` with verdicts, reasons and notes filled in."""
    if not health.has_audio:
        reason = "no audio: every sample is the same"
        none = health.levels.and_so("not usable", reason)
        return replace(health, levels=none, counts=none, times=none, bands=none)
    best = health.channels[health.best_channel]
    health = _channels(health)
    health = _clipping(health, best, lossy)
    health = _riding(health)
    health = _dropouts(health, best)
    health = _bands(health, best)
    health = _codec(health)
    if subtype in _EIGHT_BITS:
        reason = "8 bits a sample: their steps hide impacts, also clear ones, and may be counted for others"
        health = replace(health, counts=health.counts.and_so("bound only", reason))
    if not delay_known:
        health = replace(
            health, times=health.times.and_so("bound only", "the codec's delay is not stated: intervals between impacts "  # noqa: E501
                                              "are right, all times may be late by the same 20 to 50 ms")
        )  # fmt: skip
    if len(health.nonfinite):
        first = health.nonfinite[0, 0] / health.rate
        count = int(np.sum(np.diff(health.nonfinite, axis=1)))
        frames = many(count, "frame")
        reason = (
            f"{frames} with samples that are no numbers (NaN, infinite), the first at {first:.3f} s: no impact there "
            "counts"
        )
        health = replace(
            health, levels=health.levels.and_so("usable", reason), counts=health.counts.and_so("usable", reason)
        )
    notes = list(health.notes)
    if abs(best.dc) > _DC:
        notes.append(f"the samples are off zero by {best.dc:+.4f} (DC): the rail is nearer on one side")
    if best.hum is not None and best.hum.level_db > _HUM_DB:
        notes.append(f"hum at multiples of {best.hum.mains_hz} Hz, {best.hum.level_db:.0f} dB re full scale")
    if health.impacts == 0:
        notes.append("no impact stands out: there may be nothing to measure in it")
    return replace(health, notes=tuple(notes))


def _channels(health: Health) -> Health:
    notes = list(health.notes)
    for channel in health.between.dead:
        what = "is dead: every sample is the same" if channel in health.between.silent else "is all but dead"
        notes.append(f"channel {channel} {what}")
    for one, other in _sides(health.between.inverted):
        if len(one) == len(other) == 1:
            notes.append(f"channels {one[0]} and {other[0]} are inverted to each other: their sum would cancel")
        else:
            verb = "is" if len(one) == 1 else "are"
            notes.append(f"{_channel_names(one)} {verb} inverted to {_channel_names(other)}: their sum would cancel")
    for alike in _together(health.between.duplicate):
        few = "two" if len(alike) == 2 else str(len(alike))
        notes.append(f"{_channel_names(alike)} carry the same signal: they are one microphone, not {few}")
    if len(health.channels) > 1:
        notes.append(f"channel {health.best_channel} is the one to listen to; channels are never averaged")
    return replace(health, notes=tuple(notes))


def _together(pairs: Sequence[tuple[int, int]]) -> list[list[int]]:
    """Return channels that pairs link, set by set."""
    sets: list[set[int]] = []
    for pair in pairs:
        touched = [s for s in sets if s & set(pair)]
        sets = [s for s in sets if not s & set(pair)] + [set(pair).union(*touched)]
    return sorted(sorted(s) for s in sets)


def _sides(pairs: Sequence[tuple[int, int]]) -> list[tuple[list[int], list[int]]]:
    """Return the two sides of each set of channels that pairs set against each other, the smaller side first."""
    found = []
    for linked in _together(pairs):
        side = {linked[0]: 0}
        while len(side) < len(linked):  # what is inverted to one side is on the other
            side |= {b: 1 - side[a] for p in pairs for a, b in (p, p[::-1]) if a in side and b not in side}
        sides = ([c for c in linked if side[c] == n] for n in (0, 1))
        one, two = sorted(sides, key=lambda some: (len(some), some))
        found.append((one, two))
    return found


def _channel_names(channels: Sequence[int]) -> str:
    return ("channel " if len(channels) == 1 else "channels ") + listed([str(c) for c in channels])


def _clipping(health: Health, best: ChannelHealth, lossy: bool) -> Health:
    if len(best.clipped):
        first = best.clipped[0, 0] / health.rate
        if best.rail is not None:
            below = f" ({-20 * np.log10(best.rail):.1f} dB below full scale)" if best.rail < 0.99 else ""
            how = f"cut off at {best.rail:.3f} of full scale{below}"
            if lossy:
                how = f"crests end at about {best.rail:.2f} of full scale{below}, flatter than rings do: cut before the codec"  # noqa: E501
        else:
            how = f"{many(best.above_one, 'sample')} above full scale after decoding: at the rail when encoded"
        places = many(len(best.clipped), "place")
        reason = f"clipped at {places}, the first at {first:.3f} s ({how}): levels are lower bounds"
        return replace(health, levels=health.levels.and_so("bound only", reason),
                       bands=health.bands.and_so("bound only", "clipping adds sound to the upper bands"))  # fmt: skip
    if best.above_one and not lossy:
        note = (
            f"{many(best.above_one, 'sample')} above 1.0: kept, and no clipping, but the microphone's own amplifier "
            "may have clipped"
        )
        return replace(health, notes=(*health.notes, note))
    return health


def _codec(health: Health) -> Health:
    """Say where a codec's own noise is counted."""
    if (made := health.codec_made) is not None:
        reason = (
            f"about {round(made.count)} of the {health.impacts} impacts are the codec's own noise: faint, and begin "
            f"on the grid of its blocks ({made.block} frames), of which real ones know nothing"
        )
    elif health.bits_a_sample is not None and health.bits_a_sample < _POOR_BITS:
        kilobits = health.bits_a_sample * health.rate / 1000
        reason = (
            f"{kilobits:.0f} kb/s a channel: a codec so strained hides faint impacts, and its own noise may be counted "
            "for others"
        )
        # own clicks in Vorbis and MP3 at 33 to 72 kb/s: L_AE -1.5 to +0.2 dB, peaks -2.1 to +0.6 dB
        off = f"{kilobits:.0f} kb/s a channel: levels of short sounds may be off by 1.5 dB, their peaks by 2 dB"
        health = replace(health, levels=health.levels.and_so("usable", off))
    else:
        return health
    return replace(health, counts=health.counts.and_so("bound only", reason))


def _riding(health: Health) -> Health:
    riding = health.riding
    if riding.found:
        reason = (
            f"gain riding: the noise floor is at least {riding.rise_db:.1f} dB lower after loud impacts and comes back "
            "slowly: levels are not comparable"
        )
        return replace(health, levels=health.levels.and_so("not usable", reason),
                       bands=health.bands.and_so("not usable", reason))  # fmt: skip
    if riding.found is None and health.impacts:
        return replace(health, notes=(*health.notes, f"gain riding cannot be told: {riding.why_not}"))
    return health


def _dropouts(health: Health, best: ChannelHealth) -> Health:
    rate = health.rate
    for ranges, what in (
        (best.zeros, "span{} of exact silence inside the sound (dropouts, or a noise gate)"),
        (max((c.repeated for c in health.channels), key=len), "buffer{} written twice (dropouts)"),
    ):
        if not len(ranges):
            continue
        lost = float(np.sum(np.diff(ranges, axis=1))) / rate
        what = what.format("" if len(ranges) == 1 else "s")
        reason = f"{len(ranges)} {what}, the first at {ranges[0, 0] / rate:.3f} s, {lost:.3f} s in all"
        heavy = lost > _FEW_DROPOUTS_S * health.frames / rate
        health = replace(
            health,
            counts=health.counts.and_so("bound only" if heavy else "usable", f"{reason}: impacts may be missing there"),
            times=health.times.and_so("bound only", f"{reason}: the clock may have jumped"),
            levels=health.levels.and_so("usable", f"{reason}: impacts there are not to be trusted"),
        )
    return health


def _names(octaves: NDArray[np.float64]) -> str:
    nominal = np.array(NOMINAL_THIRD_HZ)
    return ", ".join(f"{nominal[np.argmin(np.abs(np.log(nominal / f)))]:g}" for f in octaves)


def _bands(health: Health, best: ChannelHealth) -> Health:
    if best.band_limit_hz is not None:
        reason = f"the codec or the sample rate ends at {best.band_limit_hz / 1000:.1f} kHz: bands above are refused"
        health = replace(health, bands=health.bands.and_so("usable", reason))
        if best.band_limit_hz < 10_000.0:
            health = replace(health, levels=health.levels.and_so("bound only", reason))
    margin = np.array(best.margin_db)
    octaves = np.array(health.octaves_hz)
    carried = octaves < health.usable_hz
    weak = carried & (margin < _BOUND_DB)
    low = carried & (margin >= _BOUND_DB) & (margin < _LOW_DB)
    if weak.any():
        names = _names(octaves[weak])
        reason = f"impacts are less than 3 dB above the noise in the octaves at {names} Hz: bounds only there"
        health = replace(health, bands=health.bands.and_so("bound only", reason))
    if low.any():
        names = _names(octaves[low])
        health = replace(
            health, bands=health.bands.and_so("usable", f"3 to 6 dB above the noise only in the octaves at {names} Hz")
        )
    if np.isfinite(margin).any() and not (margin[carried] >= _BOUND_DB).any():
        health = replace(health, levels=health.levels.and_so("bound only", "no band is 3 dB above the noise"),
                         counts=health.counts.and_so("bound only", "no band is 3 dB above the noise"))  # fmt: skip
    return health
