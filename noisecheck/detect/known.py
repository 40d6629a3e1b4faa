"""Sounds a run is known for: does something faint sound like one of the clear impacts before it?

What is new is compared, over all bands and four frames in 14 ms, with what each of the clear impacts of the last minute
brought, at any level. Knowing the shape leaves one number to be guessed (the level) where evidence of new energy
guesses one a band, so the same sound stands out far more from chance.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.detect.novelty import Novelty
from noisecheck.detect.spectra import FrameGrid, frame_grid

__all__ = ["known_evidence", "parted", "sounds_of"]

Floats = NDArray[np.float32]

_FRAMES_S: Final = (0.002, 0.005, 0.008, 0.011)
"""Centres of the frames after the rise."""
_RISE_S: Final = (0.006, 0.005)
_RISEN: Final = 0.25
"""A sound has risen where the evidence first comes to this share of its highest, so long before or after its peak."""
_LAG_S: Final = 0.004
_PAST_S: Final = 0.064
_FALL_DB_S: Final = 500.0
"""The past explains the loudest of so long before, falling so fast..."""
_EVERY: Final = 3
"""... of every so many frames: neighbours overlap."""
_BIN: Final = 0.5
"""Freedom of a bin of a windowed frame, next to others like it..."""
_DOF: Final = 10.0
"""... and the most that a band has."""
_SHAPES: Final = 64
"""So many clear impacts are remembered..."""
_NEAREST: Final = 4
"""... and so many, nearest in what stands out, are tried..."""
_GAINS: Final = (10.0 ** (np.arange(-9.0, 10.0, 3.0) / 10.0)).astype(np.float32)
"""... at so many levels."""
_TINY: Final = np.float32(1e-13)


def sounds_of(found: Novelty, peaks: NDArray[np.int64], grid: FrameGrid) -> tuple[NDArray[np.int64], Floats]:
    """Return the frame where each sound rises, and its bands, (n, 5 * bands): what the past explains, then four frames.

    Args:
        found: evidence and band energies.
        peaks: frames where the evidence peaks, (n,).
        grid: frames and bands.
    """
    energy, last = found.energy, len(found.energy) - 1
    before, after = (grid.frames(s) for s in _RISE_S)
    near = np.clip(peaks[:, None] + np.arange(-before, after + 1), 0, last)
    seen = found.fine[near]
    rise = near[np.arange(len(peaks)), (seen >= np.float32(_RISEN) * seen.max(axis=1, keepdims=True)).argmax(axis=1)]
    frames = [np.minimum(rise + grid.frames(s), last) for s in _FRAMES_S]
    past = found.floor_at(frames[0])
    for since in range(0, grid.frames(_PAST_S), _EVERY):
        earlier = energy.take(np.maximum(frames[0] - grid.frames(_LAG_S) - since, 0), axis=0)
        earlier *= np.float32(10.0 ** (-_FALL_DB_S * since * grid.hop / grid.rate / 10.0))
        np.maximum(past, earlier, out=past)
    return rise, np.concatenate([past, *(energy.take(f, axis=0) for f in frames)], axis=1)


def parted(sounds: Floats) -> tuple[Floats, Floats]:
    """Return what the past explains, (n, bands), and the frames, (n, 4, bands), of sounds from :func:`sounds_of`."""
    frames = 1 + len(_FRAMES_S)
    split = sounds.reshape(len(sounds), frames, sounds.shape[1] // frames)
    return split[:, 0], split[:, 1:]


def known_evidence(
    sounds: Floats,
    rate: int,
    asked: NDArray[np.int64],
    begin: NDArray[np.int64],
    end: NDArray[np.int64],
    clear: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Return how surely each of the sounds asked about is one of the known ones, (m,).

    The log-likelihood ratio, over bands and frames, of "the past, and a known sound at some level" against "the past",
    where the past is itself an estimate with twice the freedom of a frame; for the likeliest known sound and level.

    Args:
        sounds: from :func:`sounds_of`, (n, 5 * bands).
        rate: frames a second.
        asked: rows asked about, (m,).
        begin: entry of ``clear`` from which on impacts are known to each of them, (m,).
        end: entry up to which they are; the last 64 before it count.
        clear: rows of impacts beyond doubt.
    """
    known = np.zeros(len(asked))
    begin = np.maximum(begin, end - _SHAPES)
    width = frame_grid(rate).fine_width
    dof = np.minimum(np.float32(_BIN) * width, np.float32(_DOF))
    explained, frames = parted(sounds)
    for i in np.flatnonzero(end > begin):
        past, rows = np.maximum(explained[asked[i]], _TINY), clear[begin[i] : end[i]]
        new = np.maximum(frames[rows] - explained[rows, None], np.float32(0.0)) / past
        ratio = frames[asked[i]] / past
        # Each known sound as loud as all that is heard above the past; the nearest are told from their bands alone.
        stands, bands = np.maximum(ratio, np.float32(1.0)).mean(axis=0), new.mean(axis=1)
        level = (stands - np.float32(1.0)) @ dof / (bands @ dof + _TINY)
        off = np.log1p(bands * level[:, None]) - np.log(stands)
        nearest = np.argsort((off * off) @ dof, kind="stable")[:_NEAREST]
        rho = _GAINS[:, None, None, None] * (new[nearest] * level[nearest, None, None]) + np.float32(1.0)
        each = np.float32(3.0) * np.log((ratio + np.float32(2.0)) / (ratio / rho + np.float32(2.0))) - np.log(rho)
        known[i] = (each * dof).sum(axis=(2, 3)).max()
    return known
