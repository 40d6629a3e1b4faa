"""Named quality flags. Values are stored in results and never change meaning (a test freezes them)."""

from __future__ import annotations

from enum import IntFlag
from typing import Final

__all__ = ["FLAG_MEANING", "LOST", "NO_DROP", "SPOILT", "Flag", "flag_words"]


class Flag(IntFlag):
    """Why a measured value is missing, a bound, or to be read with care (bit mask, uint32)."""

    CLIPPED = 1 << 0
    OVERLAPPED = 1 << 1
    LOW_MARGIN = 1 << 2
    FILE_EDGE = 1 << 3
    UNCALIBRATED = 1 << 4
    UNPLACED = 1 << 5
    TRUNCATED = 1 << 6
    BAND_LIMITED = 1 << 7
    NO_DECAY = 1 << 8
    DECAY_T10 = 1 << 9
    BOUND = 1 << 10
    NONFINITE = 1 << 11
    GAIN_RIDING = 1 << 12
    NO_BACKGROUND = 1 << 13
    DECAY_T20 = 1 << 14
    CORRECTED = 1 << 15
    REFERENCE = 1 << 16
    DRIFTED = 1 << 17
    SCHEDULED = 1 << 18
    CODEC_NOISE = 1 << 19
    MACHINE = 1 << 20
    DROPOUT = 1 << 21


NO_DROP: Final = Flag.REFERENCE | Flag.CODEC_NOISE | Flag.MACHINE
"""Impacts that are none of a ball's in the machine."""
LOST: Final = Flag.NONFINITE | Flag.DROPOUT
"""Samples of the impact are lost..."""
SPOILT: Final = Flag.CLIPPED | Flag.FILE_EDGE | LOST
"""... or the recording has otherwise not kept it as it sounded."""

FLAG_MEANING: dict[Flag, str] = {
    Flag.CLIPPED: "samples at the recorder's rail: peak and levels are lower bounds",
    Flag.OVERLAPPED: "another impact begins before this one has died away",
    Flag.LOW_MARGIN: "less than 6 dB above the background: levels are uncertain",
    Flag.FILE_EDGE: "the recording begins or ends inside this impact",
    Flag.UNCALIBRATED: "levels are re digital full scale, not re 20 uPa",
    Flag.UNPLACED: "no station accounts for this sound well enough",
    Flag.TRUNCATED: "the window was cut while the sound still mattered: the lost exposure is over 0.1 dB",
    Flag.BAND_LIMITED: "the sample rate or the codec cannot carry every band: those cells are empty",
    Flag.NO_DECAY: "decay not measurable here: too little margin, too short a window, or faster than the filter",
    Flag.DECAY_T10: "decay from -5 to -15 dB (T10)",
    Flag.BOUND: "less than 3 dB above the background: L_AE is an upper bound",
    Flag.NONFINITE: "NaN or infinite samples inside the window",
    Flag.GAIN_RIDING: "the recorder changed its gain: levels are not comparable",
    Flag.NO_BACKGROUND: "no quiet span near by: the background was not subtracted",
    Flag.DECAY_T20: "decay from -5 to -25 dB (T20)",
    Flag.CORRECTED: "changed by the user's correction file",
    Flag.REFERENCE: "a reference drop at the start or end of the take, not one of the machine's impacts",
    Flag.DRIFTED: "the calibration drifted by more than 0.5 dB between its two checks: levels are not comparable",
    Flag.SCHEDULED: "the sound left the station open: the ball that was due there tells it",
    Flag.CODEC_NOISE: "faint, and on the grid of the codec's blocks: most likely its own noise and no impact",
    Flag.MACHINE: "no louder than what the machine makes without balls, as its microphones hear it: no drop",
    Flag.DROPOUT: "samples are missing inside it or just before it: neither its time nor its levels are to be trusted",
}


def flag_words(mask: int) -> str:
    """Return the words of a flag mask joined by ``;`` in bit order (empty for no flag)."""
    return ";".join(flag.name.lower() for flag in Flag if mask & flag and flag.name)
