"""Channels of one recording: dead, inverted and duplicate ones, and which to listen to (they are never averaged)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.records import record

__all__ = ["ChannelScan", "Channels", "better_channel"]

_DEAD_DB: Final = 40.0
_INVERTED: Final = -0.6
_SAME: Final = 1e-6  # share of energy in which two channels may differ and still be one signal
_CLIPPED_WORTH_DB: Final = 10.0


@record
class Channels:
    """What was found about the channels of a recording."""

    level_db: tuple[float, ...]
    """RMS level re full scale, DC removed."""
    silent: tuple[int, ...]
    """Nothing but equal samples."""
    dead: tuple[int, ...]
    """Silent, or 40 dB and more below the loudest."""
    inverted: tuple[tuple[int, int], ...]
    """Pairs whose low sound is opposite: one of the two is wired the wrong way round."""
    duplicate: tuple[tuple[int, int], ...]
    """Pairs that carry one and the same signal (a gain apart, at most)."""


class ChannelScan:
    """Accumulates products of channels, over the full band and over slow samples (below some 300 Hz)."""

    def __init__(self, channels: int) -> None:
        self._full = np.zeros((channels, channels))
        self._slow = np.zeros((channels, channels))
        self._sum = np.zeros(channels)
        self._low = np.full(channels, np.inf)
        self._high = np.full(channels, -np.inf)
        self._count = 0

    def add(self, x: NDArray[np.float32], slow: NDArray[np.float64]) -> None:
        """Take one tile: samples (channels, frames) and slow samples (channels, fewer)."""
        self._full += (x @ x.T).astype(np.float64)
        self._slow += slow @ slow.T
        self._sum += x.sum(axis=1, dtype=np.float64)
        self._low, self._high = np.minimum(self._low, x.min(axis=1)), np.maximum(self._high, x.max(axis=1))
        self._count += x.shape[1]

    def judge(self) -> Channels:
        """Return what was found."""
        mean = self._sum / max(self._count, 1)
        full = self._full / max(self._count, 1) - np.outer(mean, mean)
        power = np.maximum(np.diag(full), 0.0)
        constant = self._low >= self._high
        power[constant] = 0.0
        level = 10.0 * np.log10(np.maximum(power, 1e-20))
        dead = constant | (level < level.max() - _DEAD_DB)
        inverted, duplicate = [], []
        for i in range(len(power)):
            for j in range(i + 1, len(power)):
                if dead[i] or dead[j]:
                    continue
                rho = full[i, j] / np.sqrt(power[i] * power[j])
                low = self._slow[i, j] / max(np.sqrt(self._slow[i, i] * self._slow[j, j]), 1e-30)
                if 1.0 - abs(rho) < _SAME:
                    duplicate.append((i, j))
                if rho < _INVERTED or low < _INVERTED:
                    inverted.append((i, j))
        return Channels(
            tuple(round(float(v), 2) for v in level), tuple(np.flatnonzero(constant).tolist()),
            tuple(np.flatnonzero(dead).tolist()), tuple(inverted), tuple(duplicate),
        )  # fmt: skip


def better_channel(
    found: Channels, margin_db: NDArray[np.float64], clipped: Sequence[int], midbands: NDArray[np.float64]
) -> int:
    """Return the channel to listen to where only one can be: not dead, impacts furthest above the noise, least clipped.

    Args:
        found: from :meth:`ChannelScan.judge`.
        margin_db: noise margin per channel and octave band, dB (channels, bands); NaN where there were no impacts.
        clipped: number of clipped spans of each channel.
        midbands: octave midbands, Hz (bands,).
    """
    middle = (midbands > 400.0) & (midbands < 9000.0)
    score = np.nan_to_num(margin_db[:, middle].mean(axis=1), nan=0.0) if middle.any() else np.zeros(len(margin_db))
    if not score.any():
        score = np.array(found.level_db)
    if min(clipped) == 0:
        score = score - np.where(np.array(clipped) > 0, _CLIPPED_WORTH_DB, 0.0)
    score[list(found.dead)] = -np.inf
    return int(np.argmax(score))
