"""When an impact began, told by louder ones before it that sound the same, wave for wave.

The beginning of a soft sound may lie in the noise: a skin that swells, a rod that slides before it strikes. A louder
copy of it shows where that is. The delay between the two is told by the likelihood ratio of "this sound again, at some
level" against noise with the spectrum of what was heard just before. It counts where the other sound explains nearly
all that is heard, where no other delay explains it about as well, and where it is no more than onsets are mistaken by.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.fourier import irfft, rfft
from noisecheck.core.records import record
from noisecheck.core.rows import Rows
from noisecheck.core.windows import extended
from noisecheck.detect.candidates import Candidates
from noisecheck.detect.channels import Onsets
from noisecheck.detect.decide import MEMORY_S
from noisecheck.detect.waves import WaveGrid, wave_grid

__all__ = ["MOST_SHIFT_S", "Alike"]

Floats = NDArray[np.float32]

MOST_SHIFT_S: Final = 0.0035
"""Onsets are mistaken by less where a sound rises within 10 ms."""
_MOST: Final = 64
"""So many of the clear impacts of the last minute are remembered on each channel..."""
_CLEAR: Final = 40.0
_SOON_S: Final = 0.008
_SOON: Final = 0.02
"""... that bring such a share of their energy so soon after their onset..."""
_LOUDER_DB: Final = 3.0
"""... and compared with what is softer by so much: their own beginning is known better by that..."""
_NEAREST: Final = 5
"""... so many at most, those whose spectrum may explain most; the middle of what they tell counts."""
_SURELY: Final = 100.0
"""More abrupt sounds begin where they seem to."""
_STEPS_IN: Final = 40.0
"""More abrupt ones do not begin a millisecond later than they seem to, nor do those..."""
_HEARD: Final = (1.5, 0.1)
"""... that exceed all before by so much, and such a share of their own peak, until shortly before."""
_AT_ONCE_S: Final = 0.001
_LEAST: Final = 50.0
"""Log-likelihood ratio from which a sound is another one once more..."""
_SHARE: Final = 0.8
"""... if that explains so much of its energy..."""
_RIVAL: Final = (0.85, 15.0)
"""... and at no other delay so large a share of that, or so little less..."""
_PEAK_S: Final = 0.0004
"""... but so near it."""
_FLOOR: Final = (0.3, 0.3)
"""Added to the noise's spectrum is such a share of such a quantile of it: bands may be silent by chance or a filter."""
_SMOOTH_HZ: Final = 290.0


@record
class _Sounds(Rows):
    """Sounds on one channel, in order."""

    frame: NDArray[np.int64]
    level: Floats
    """Energy, dB."""
    spectrum: NDArray[np.complex64]
    size: Floats
    """Its magnitude."""

    @staticmethod
    def of(frame: NDArray[np.int64], waves: Floats, grid: WaveGrid) -> _Sounds:
        """Return the sounds of waves."""
        sound = waves[:, grid.past : grid.past + grid.lead + grid.sound]
        level = 10.0 * np.log10(np.einsum("ij,ij->i", sound, sound) + np.float32(1e-20))
        spectrum = rfft(sound, _spectral(grid)[0])
        return _Sounds(frame, level, spectrum, np.abs(spectrum))


@lru_cache(maxsize=16)
def _spectral(grid: WaveGrid) -> tuple[int, int, Floats]:
    """Return the length of the transforms, the bins that the noise is smoothed over, and the window of the past."""
    length = 1 << (grid.lead + grid.sound + 2 * grid.lag - 1).bit_length()
    window = np.hanning(grid.past)
    window = (window / np.sqrt((window**2).sum())).astype(np.float32)
    return length, 2 * round(0.5 * _SMOOTH_HZ * length / grid.rate) + 1, window


class Alike:
    """Onsets made better by the impacts of a run so far: those of the last minute, at most 64 on each channel."""

    def __init__(self, rate: int, channels: int) -> None:
        self._rate, self._grid = rate, wave_grid(rate)
        none = np.empty((0, self._grid.length), np.float32)
        self._known = [_Sounds.of(np.empty(0, np.int64), none, self._grid) for _ in range(channels)]
        self._last = 0

    def retimed(self, onsets: Onsets, found: Sequence[Candidates]) -> Onsets:
        """Return the next impacts with onsets as earlier ones tell them; their order stays.

        Args:
            onsets: impacts, in order, after those of all calls before.
            found: the candidates that they are made of, one entry a channel.
        """
        if not len(onsets):
            return onsets
        arrival = onsets.arrival.copy()
        for channel, candidates in enumerate(found):
            row = np.searchsorted(candidates.onset, arrival[:, channel])
            here = np.flatnonzero(np.append(candidates.onset, -2)[row] == arrival[:, channel])  # never heard: -1
            row = row[here]
            told = np.flatnonzero(candidates.wave[row].any(axis=1))
            arrival[here[told], channel] += self._shifts(channel, candidates.where(row[told]))
        never = np.iinfo(np.int64).max
        heard = np.where(arrival >= 0, arrival, never).min(axis=1)
        # No impact comes before the one that came before it.
        begin = np.maximum.accumulate(np.maximum(np.minimum(heard, np.append(onsets.frame[1:], never)), self._last))
        self._last = int(begin[-1])
        return replace(onsets, frame=begin, arrival=np.where(arrival >= 0, np.maximum(arrival, begin[:, None]), -1))

    def _begins(self, waves: Floats) -> NDArray[np.bool_]:
        """Return which waves sound soon after their onset: others are no guide to where a sound begins."""
        grid = self._grid
        first, soon = grid.past + grid.lead, int(_SOON_S * grid.rate)
        energy = [np.einsum("ij,ij->i", w, w) for w in (waves[:, first : first + soon], waves[:, first:])]
        return np.asarray(energy[0] > np.float32(_SOON) * energy[1])

    def _sounds_before(self, wave: Floats, shift: int) -> bool:
        """Return whether a wave is heard between its onset and shortly before so many frames after it."""
        grid = self._grid
        begin, level = grid.past + grid.lead, np.abs(wave)
        until = begin + int(shift / grid.step - _PEAK_S * grid.rate)
        return bool(
            level[begin:until].max() > max(_HEARD[0] * level[: grid.past].max(), _HEARD[1] * level[begin:].max())
        )

    def _shifts(self, channel: int, found: Candidates) -> NDArray[np.int64]:
        """Return by how many frames the onset of each is to be moved, and remember those that are clear."""
        new = _Sounds.of(found.onset, found.wave, self._grid)
        clear = (found.score > _CLEAR) & self._begins(found.wave)
        known = _Sounds.concat([self._known[channel], new.where(clear)])
        # Of so many known sounds each comes after.
        upto = len(self._known[channel].frame) + np.cumsum(clear) - clear
        since = np.searchsorted(known.frame, new.frame - int(MEMORY_S * self._rate))
        since = np.maximum(since, upto - _MOST)
        shifts = np.zeros(len(found), np.int64)
        asked = np.flatnonzero((found.abrupt <= _SURELY) & (upto > since))
        if len(asked):
            heard = _Heard(new.where(asked), found.wave[asked], self._grid)
            shifts[asked] = heard.shifts(known, since[asked], upto[asked])
            for i in asked[shifts[asked] > _AT_ONCE_S * self._rate].tolist():
                if found.abrupt[i] > _STEPS_IN or self._sounds_before(found.wave[i], int(shifts[i])):
                    shifts[i] = 0
        self._known[channel] = known.where(slice(-_MOST, None)).copy()
        return shifts


class _Heard:
    """Sounds whose beginning is asked about, against the noise before each."""

    def __init__(self, own: _Sounds, waves: Floats, grid: WaveGrid) -> None:
        self._own, self._grid = own, grid
        self._length, wide, window = _spectral(grid)
        power = np.abs(rfft(waves[:, : grid.past] * window, self._length)) ** 2
        total = np.cumsum(extended(power, wide // 2 + 1, wide // 2), axis=1, dtype=np.float64)
        noise = (total[:, wide:] - total[:, :-wide]) / wide
        middle = int(_FLOOR[1] * noise.shape[1])
        noise += _FLOOR[0] * np.partition(noise, middle, axis=1)[:, middle, None]
        noise += 1e-7 * noise.max(axis=1, keepdims=True) + 1e-20
        self._trust = (1.0 / noise).astype(np.float32)
        whole = waves[:, grid.past - grid.lag :]
        self._spectrum = rfft(whole, self._length)
        white = irfft(self._spectrum * np.sqrt(self._trust), self._length)[:, : whole.shape[1]]
        energy = np.cumsum(np.pad(white, ((0, 0), (1, 0))).astype(np.float64) ** 2, axis=1)
        sound, lags = grid.lead + grid.sound, 2 * grid.lag + 1
        self._energy = energy[:, sound : sound + lags] - energy[:, :lags] - sound
        self._reach = round(MOST_SHIFT_S * grid.rate)

    def shifts(self, known: _Sounds, since: NDArray[np.int64], upto: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return by how many frames each begins later than it seems to, as known sounds tell it; 0 where they do not.

        Args:
            known: sounds.
            since: which of them is the first that tells of each.
            upto: and which the first that does not.
        """
        grid, apart = self._grid, round(_PEAK_S * self._grid.rate)
        shifts = np.zeros(len(since), np.int64)
        row, which = self._nearest(known, since, upto)
        weighed = self._spectrum[row] * self._trust[row]
        fit = irfft(weighed * known.spectrum[which].conj(), self._length)[:, : self._energy.shape[1]]
        strength = np.einsum("ij,ij->i", (known.size * known.size)[which], self._trust[row])
        fit *= np.sqrt(np.float32(0.25 * self._length) / strength)[:, None]
        ratio = fit * np.abs(fit)
        best, pair = ratio.argmax(axis=1), np.arange(len(row))
        most = ratio[pair, best]
        told = (np.abs(best - grid.lag) <= self._reach) & (most > _enough(self._energy[row, best]))
        rivals = np.where(np.abs(np.arange(ratio.shape[1]) - best[:, None]) > apart, ratio, np.float32(0.0)).max(axis=1)
        told &= rivals < np.minimum(_RIVAL[0] * most, most - _RIVAL[1])
        pair = pair[told]
        before, after = ratio[pair, best[pair] - 1], ratio[pair, best[pair] + 1]
        late = best[pair] - grid.lag + 0.5 * (before - after) / (before - 2.0 * most[pair] + after)
        # Samples of the wave are whole steps, onsets are not.
        late = late * grid.step + known.frame[which[pair]] % grid.step - self._own.frame[row[pair]] % grid.step
        of = row[pair]  # in order; of each the median
        late = late[np.lexsort((late, of))]
        begin = np.flatnonzero(np.diff(of, prepend=-1))
        last = np.append(begin[1:], len(of)) - 1
        shifts[of[begin]] = np.round(0.5 * (late[(begin + last) // 2] + late[(begin + last + 1) // 2]))
        most_shift = int(MOST_SHIFT_S * grid.step * grid.rate)
        return np.clip(shifts, -most_shift, most_shift)

    def _nearest(
        self, known: _Sounds, since: NDArray[np.int64], upto: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return pairs of what is asked about and a louder known sound that may explain enough of it at some delay."""
        number = np.arange(len(known.frame))
        fit = (np.abs(self._spectrum) * self._trust) @ known.size.T
        # Squared last: after digital silence all else is beyond what can be squared.
        fit /= np.sqrt(self._length * np.maximum(self._trust @ (known.size * known.size).T, np.float32(1e-20)))
        most = fit * fit
        most[(number < since[:, None]) | (number >= upto[:, None])] = 0.0
        most[known.level < self._own.level[:, None] + np.float32(_LOUDER_DB)] = 0.0
        near = np.argpartition(-most, min(_NEAREST, len(number) - 1), axis=1)[:, :_NEAREST]
        least = self._energy[:, self._grid.lag - self._reach : self._grid.lag + self._reach + 1].min(axis=1)
        row, column = np.nonzero(np.take_along_axis(most, near, axis=1) > _enough(least)[:, None])
        return row, near[row, column]


def _enough(energy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the log-likelihood ratio that another sound must reach to explain sounds of such energy over the noise."""
    return np.maximum(_LEAST, 0.5 * _SHARE * energy)
