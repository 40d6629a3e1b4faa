"""Sound inside the page: small FLAC clips of impacts and of moments.

A clip is rounded to a step as large as the quietest 10 ms of it, so that what rounding adds lies 10.8 dB below the
recording's own noise (step^2 / 12); FLAC then needs two or three bits a sample, and nothing is smeared in time.
"""

from __future__ import annotations

import base64
import io
import math
from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.split import join_recordings
from noisecheck.core.errors import InputError
from noisecheck.core.records import record
from noisecheck.measure.weighting import spectrum_weight
from noisecheck.pipeline.campaign import CampaignResult
from noisecheck.pipeline.run import RunResult

__all__ = ["ALONE", "FULL", "PLAIN", "Clip", "Cut", "Moment", "Wanted", "clips_at", "clips_of", "sound_uri"]

_LEAD_S: Final = 0.35
_MOMENT_S: Final = 1.0
_FASTEST: Final = 48_000  # clips of faster recordings are resampled: nobody hears the difference, the page stays small
_PLAIN: Final = 24_000  # 12 kHz are enough to tell what a sound was
_PEAK: Final = 0.7  # clips are raised to this peak, so that 16 bits are enough for the quiet ones
_BITS: Final = (6, 15)
_STILL_S: Final = 0.01
_CLEAR_S: Final = 0.003


@record
class Cut:
    """How a clip is cut: seconds before the onset and in all, highest rate, whether it ends before the next impact."""

    before_s: float
    seconds: float
    fastest: int
    alone: bool = False


FULL: Final = Cut(0.08, 0.5, _FASTEST)
PLAIN: Final = Cut(0.04, 0.25, _PLAIN)
ALONE: Final = Cut(0.01, 0.4, _FASTEST, alone=True)


@record
class Wanted:
    """One impact to be heard: its run, its row in the run's table, and how it is cut."""

    run: str
    row: int
    cut: Cut = PLAIN


@record
class Moment:
    """A time in a run (s) worth hearing, with what is around it."""

    run: str
    time_s: float


@record
class Clip:
    """A short piece of sound as a data URI, by how many dB it was raised, and where in it (s) the impact is."""

    uri: str
    raised_db: float
    seconds: float
    before_s: float
    rate: int
    lae_db: float
    """Its A-weighted exposure (s) as it is played at full volume, dB re full scale; what else it holds included."""


def clips_of(result: CampaignResult, wanted: Iterable[Wanted], *, most_bytes: int) -> dict[Wanted, Clip]:
    """Return clips, the first ones wanted first, until their text is ``most_bytes`` long.

    Recordings that are gone give none.
    """
    ranked = list(dict.fromkeys(wanted))
    made: dict[Wanted, Clip] = {}
    for name in dict.fromkeys(w.run for w in ranked):
        made.update(_read(result.by_name[name], [w for w in ranked if w.run == name]))
    kept: dict[Wanted, Clip] = {}
    used = 0
    for one in ranked:
        clip = made.get(one)
        if clip is not None and used + len(clip.uri) <= most_bytes:
            kept[one] = clip
            used += len(clip.uri)
    return kept


def clips_at(result: CampaignResult, moments: Sequence[Moment], *, most_bytes: int) -> dict[Moment, Clip]:
    """Return clips of moments, earlier ones in the list first, until their text is ``most_bytes`` long."""
    kept: dict[Moment, Clip] = {}
    used = 0
    for name in dict.fromkeys(m.run for m in moments):
        run = result.by_name[name]
        try:
            recording = join_recordings(run.paths)
        except InputError:
            continue
        with recording:
            for moment in dict.fromkeys(m for m in moments if m.run == name):
                start = max(round((moment.time_s - _LEAD_S) * run.rate), 0)
                channel = min(_channel_at(run, moment.time_s), recording.channels - 1)
                sound = recording.read(start, start + round(_MOMENT_S * run.rate))[:, channel]
                clip = _clip(sound, run.rate, _PLAIN, before_s=moment.time_s - start / run.rate)
                if clip.seconds > 0 and used + len(clip.uri) <= most_bytes:
                    kept[moment] = clip
                    used += len(clip.uri)
    return kept


def _channel_at(run: RunResult, time_s: float) -> int:
    """Return the channel of the impact nearest in time, 0 where there is none."""
    times = run.impacts.data["time_s"]
    return max(int(run.impacts.data["channel"][int(np.argmin(np.abs(times - time_s)))]), 0) if len(times) else 0


def _read(run: RunResult, wanted: Sequence[Wanted]) -> dict[Wanted, Clip]:
    """Return the clip around each row on the channel measured; none where the recording cannot be read."""
    found: dict[Wanted, Clip] = {}
    frames = run.impacts.data["frame"]
    try:
        recording = join_recordings(run.paths)
    except InputError:
        return found
    with recording:
        for one in sorted(wanted, key=lambda w: w.row):
            frame = int(frames[one.row])
            start = max(frame - round(one.cut.before_s * run.rate), 0)
            stop = frame + round((one.cut.seconds - one.cut.before_s) * run.rate)
            later = frames[frames > frame]
            if one.cut.alone and len(later):
                stop = min(stop, int(later.min()) - round(_CLEAR_S * run.rate))
            channel = min(max(int(run.impacts.data["channel"][one.row]), 0), recording.channels - 1)
            sound = recording.read(start, stop)[:, channel]
            found[one] = _clip(sound, run.rate, one.cut.fastest, before_s=(frame - start) / run.rate)
    return found


def _clip(samples: NDArray[np.float32], rate: int, fastest: int, *, before_s: float) -> Clip:
    finite = np.nan_to_num(samples, nan=0.0, posinf=0.0, neginf=0.0).astype(np.float64)
    if rate > fastest and len(finite):
        import soxr

        finite, rate = np.asarray(soxr.resample(finite, rate, fastest), np.float64), fastest
    peak = float(np.max(np.abs(finite), initial=0.0))
    gain = _PEAK / peak if peak > 0 else 1.0
    shaped = finite * gain
    step = _step(shaped, rate)
    fade = min(len(finite), round(0.005 * rate))
    if fade:
        shaped[-fade:] *= np.linspace(1.0, 0.0, fade)
    shaped = np.round(shaped / step) * step
    exposure = _exposure(shaped, rate)
    level = 10 * math.log10(exposure) if exposure > 0 else -math.inf
    return Clip(sound_uri(shaped, rate), 20 * math.log10(gain), len(finite) / rate, before_s, rate, level)


def _exposure(samples: NDArray[np.float64], rate: int) -> float:
    """Return the A-weighted exposure (s), by Parseval's theorem."""
    n = 2 * len(samples)
    if not n:
        return 0.0
    power = np.square(np.abs(np.fft.rfft(samples, n)))
    power[1:-1] *= 2
    return float(power @ spectrum_weight(n, rate, "A")) / n / rate


def _step(samples: NDArray[np.float64], rate: int) -> float:
    """Return the step to round to: a power of two near the root mean square of the quietest 10 ms."""
    span = max(round(_STILL_S * rate), 1)
    whole = samples[: len(samples) // span * span].reshape(-1, span)
    power = np.mean(np.square(whole), axis=1)
    quietest = float(power.min(initial=1.0))
    bits = -int(np.floor(0.5 * np.log2(quietest))) if quietest > 0 else _BITS[1]
    return 2.0 ** -min(max(bits, _BITS[0]), _BITS[1])


def sound_uri(samples: NDArray[np.float64], rate: int) -> str:
    """Return mono samples (frames,) of full scale 1.0 as 16-bit FLAC in a ``data:`` URI.

    The lowest compression has the shortest frames: browsers fail to seek in a file of one frame.
    """
    import soundfile

    out = io.BytesIO()
    whole = np.clip(np.round(samples * 32768), -32768, 32767).astype(np.int16)
    soundfile.write(out, whole, rate, format="FLAC", subtype="PCM_16", compression_level=0.0)
    return "data:audio/flac;base64," + base64.b64encode(out.getvalue()).decode("ascii")
