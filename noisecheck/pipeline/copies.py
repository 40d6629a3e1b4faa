"""Known copies of a run's own impacts, put back into pieces of its recording and searched for."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.recording import Recording
from noisecheck.core.flags import SPOILT, Flag
from noisecheck.core.records import record
from noisecheck.core.rows import Rows
from noisecheck.detect.candidates import Candidates, cell_frames, find_candidates, lead_frames, tail_frames
from noisecheck.detect.channels import merge_channels
from noisecheck.detect.decide import MEMORY_S, decide
from noisecheck.detect.habits import Habits
from noisecheck.pipeline.cleaned import BEFORE_S, without_background
from noisecheck.pipeline.listen import Heard, ListenSettings

__all__ = ["Donors", "Levels", "Pieces", "Trials", "donors_of"]

_PIECES: Final = 7
_PIECE_S: Final = 12
_DONORS: Final = 24
_COPY_S: Final = 0.25
_LEAD_S: Final = 0.001
_FADE_S: Final = 0.02
_NEAR_S: Final = 0.1
"""What is found so near a copy may be due to it."""
_CLEAR_DB: Final = 10.0
_APART_S: Final = (0.28, 0.42)
_FREE_S: Final = (3.0, 5.0)
"""The first so many seconds of a piece (where there are few, and else) stay as they are: what is remembered."""
_FEW: Final = 3
_BEFORE_S: Final = 0.025
"""A copy begins so long before the next impact that was heard: of two close together it is always the second."""
_MATCH_S: Final = 0.010
_LOCAL_S: Final = 1.0
"""What is found so long before a copy is taken as it is; what is remembered from before stands for any minute."""
_MOST_GAIN_DB: Final = 3.0
"""A copy may be so much louder: what is left of the background in it must not be heard."""
_AFTER_S: Final = 0.02
"""So long after an impact its beginning is over: what then sounds may be taken for the next one's background."""
_CLEAN: Final = (
    (0.1, _CLEAR_DB, SPOILT | Flag.OVERLAPPED),
    (0.1, 6.0, SPOILT | Flag.OVERLAPPED),
    (0.1, 3.0, SPOILT),
    (0.04, 3.0, SPOILT),
)
"""Least time to other impacts (s), least margin, flags not wanted: from clean to just fit, a level must be known."""
_ENOUGH: Final = 8

Levels = Callable[[NDArray[np.float64], np.random.Generator], NDArray[np.float64]]


@record
class Trials(Rows):
    """Copies put back, equally long arrays."""

    level_db: NDArray[np.float64]
    """L_AE of the copy, dB of the run's table."""
    found: NDArray[np.bool_]
    gap_s: NDArray[np.float64]
    """Seconds since the last impact that was heard."""

    def __len__(self) -> int:
        return len(self.found)


@record
class Donors:
    """Impacts that are copied, equally long arrays."""

    row: NDArray[np.int64]
    """Row of the run's table."""
    level_db: NDArray[np.float64]
    """L_AE."""
    margin_db: NDArray[np.float64]
    most_db: NDArray[np.float64]
    """Highest level of a copy."""

    def __len__(self) -> int:
        return len(self.row)


def donors_of(heard: Heard) -> Donors:
    """Return lone impacts, evenly over their levels, at most ``_DONORS``: clean ones, or less so if there are few."""
    table, frame = heard.impacts, heard.onsets.frame
    apart = np.minimum(np.diff(frame, prepend=-heard.rate), np.diff(frame, append=heard.frames)) / heard.rate
    for alone_s, margin_db, unfit in _CLEAN:
        fit = (apart > alone_s) & ((table["flags"] & np.uint32(unfit)) == 0) & (table["margin_db"] > margin_db)
        rows = np.flatnonzero(fit & np.isfinite(table["lae_db"]))
        if len(rows) >= _ENOUGH:
            break
    rows = rows[np.argsort(table["lae_db"][rows], kind="stable")]
    rows = rows[np.unique(np.linspace(0, len(rows) - 1, min(_DONORS, len(rows))).round().astype(np.int64))]
    level, margin = table["lae_db"][rows], table["margin_db"][rows]
    return Donors(rows, level, margin, level + _MOST_GAIN_DB)


@record
class _Piece:
    start: int
    stop: int
    copies_from: int
    moments: NDArray[np.int64]
    level: NDArray[np.float64]
    gap_s: NDArray[np.float64]
    candidates: list[Candidates]


class Pieces:
    """Pieces of a recording into which copies are put, a few at a time."""

    def __init__(
        self,
        recording: Recording,
        heard: Heard,
        donors: Donors,
        settings: ListenSettings,
        rng: np.random.Generator,
        counted: NDArray[np.bool_],
    ) -> None:
        """Begin; of impacts in one detection with a copy, those ``counted``, (n,), have the first claim to it."""
        self._recording, self._heard, self._settings, self._rng = recording, heard, settings, rng
        self._claims = heard.onsets.frame[counted]
        self._donors, self._copies = donors, _copies(recording, heard, donors.row)
        self._coded = heard.coded
        cell = cell_frames(heard.rate)
        last = max(heard.frames // cell - _PIECE_S, 0)
        cells = np.unique(np.append(np.arange(0, last + 1, _PIECE_S), last))
        # A short recording has few pieces: each is taken again, with copies at other moments.
        self._starts: list[int] = np.resize(rng.permutation(cells) * cell, _PIECES).tolist()
        self._free_s = _FREE_S[len(cells) > _FEW]
        self._done: list[_Piece] = []

    @property
    def left(self) -> int:
        """Return how many pieces are still without copies."""
        return len(self._starts) - len(self._done)

    def put(self, count: int, levels: Levels) -> None:
        """Put copies of levels given by ``levels(n, rng)`` into the next ``count`` pieces."""
        for start in self._starts[len(self._done) : len(self._done) + count]:
            self._done.append(self._filled(start, levels))

    def _filled(self, start: int, levels: Levels) -> _Piece:
        heard, rate, rng = self._heard, self._heard.rate, self._rng
        stop = min(start + _PIECE_S * cell_frames(rate), heard.frames)
        origin = max(0, start - lead_frames(rate))
        end = min(stop + tail_frames(rate), self._recording.frames)
        samples = self._recording.read(origin, end).astype(np.float32, copy=True)
        copies_from = min(start + int(self._free_s * rate), (start + stop) // 2)
        moments = _moments(heard, copies_from, stop, rng)
        frame = np.concatenate(([-(10**9)], heard.onsets.frame))
        gap_s = (moments - frame[np.searchsorted(frame, moments) - 1]) / rate
        donors, level = self._donors, levels(gap_s, rng)
        k = rng.integers(len(donors), size=len(level))
        # One too loud for a donor picked at random is of the donor nearest in level.
        k = np.where(level > donors.most_db[k], np.abs(donors.level_db - level[:, None]).argmin(axis=1), k)
        level = np.minimum(level, donors.most_db[k])
        gain = (10.0 ** ((level - donors.level_db[k]) / 20.0)).astype(np.float32)
        lead = int(_LEAD_S * rate)
        for n, begin in enumerate((moments - lead - origin).tolist()):
            piece = self._copies[k[n]] * gain[n]
            room = samples[begin : begin + len(piece)]
            room += piece[: len(room)]
        found = [
            find_candidates(
                np.ascontiguousarray(samples[:, c]), rate, origin=origin, start=start, stop=stop, coded=self._coded
            )
            for c in range(heard.channels)
        ]
        return _Piece(start, stop, copies_from, moments, level, gap_s, found)

    def tried(self, last: int | None = None) -> Trials:
        """Return the copies of the last pieces put (None: of all) and whether each was found, as if it were alone."""
        rate, channels = self._heard.rate, self._heard.channels
        past, habits = [self._usual(c) for c in range(channels)], Habits(rate, channels)
        if last is None:  # how microphones hear one another matters little for where to look more closely
            odds = [decide(c, rate, self._settings.detect.shared_by(channels)) for c in past]
            merge_channels(past, odds, rate, spread_s=self._settings.spread_s, habits=habits)
        parts = []
        for piece in self._done if last is None else self._done[-last:]:
            hits = [self._found(piece, at, past, habits) for at in piece.moments.tolist()]
            parts.append(Trials(piece.level, np.array(hits, bool), piece.gap_s))
        return Trials.concat(parts)

    def _usual(self, channel: int) -> Candidates:
        """Return the candidates of a minute without copies, put together from all pieces, from frame 0 on."""
        rate = self._heard.rate
        parts, length = [], 0
        for piece in self._done:
            found = piece.candidates[channel]
            free = found.where(found.onset < piece.copies_from)
            parts.append(replace(free, onset=free.onset - piece.start + length))
            length += piece.copies_from - piece.start
        usual = Candidates.concat(parts)
        whole = int(MEMORY_S * rate)
        if length <= 0:
            return Candidates.concat([])
        turns = -(-whole // length)
        looped = Candidates.concat([replace(usual, onset=usual.onset + t * length) for t in range(turns)])
        looped = replace(looped, onset=looped.onset - turns * length + whole)
        return looped.where(looped.onset >= 0)

    def _found(self, piece: _Piece, at: int, past: list[Candidates], habits: Habits) -> bool:
        rate, other = self._heard.rate, piece.moments[piece.moments != at]
        near = int(_NEAR_S * rate)
        local = max(at - int(_LOCAL_S * rate), piece.start)
        first = local - int(MEMORY_S * rate)  # where the minute that is remembered begins
        odds, mine = [], []
        detect = self._settings.detect.shared_by(self._heard.channels)
        for found, usual in zip(piece.candidates, past, strict=True):
            now = found.where(_only(found.onset, other, at, near) & (found.onset >= local))
            now = replace(now, onset=now.onset - first)
            known = decide(Candidates.concat([usual, now]), rate, detect, past=len(usual))[len(usual) :]
            close = np.abs(now.onset + first - at) <= near
            mine.append(now.where(close))
            odds.append(known[close])
        merged = merge_channels(mine, odds, rate, spread_s=self._settings.spread_s, habits=habits.copy())
        reach = int(_MATCH_S * rate)
        claims = self._claims[(self._claims < at) & (self._claims >= at - 2 * reach)]
        return _all_met(np.append(claims, at), merged.frame + first, reach)


def _all_met(moments: NDArray[np.int64], found: NDArray[np.int64], reach: int) -> bool:
    """Return whether each of some moments has a detection of its own within ``reach``; both are in order."""
    left = iter(found.tolist())
    # The earliest detection that is not too early for a moment leaves the most to later ones.
    return all(next((f for f in left if f >= m - reach), m + reach + 1) <= m + reach for m in moments.tolist())


def _only(onset: NDArray[np.int64], other: NDArray[np.int64], at: int, near: int) -> NDArray[np.bool_]:
    """Return which candidates are not after ``at`` and not by another copy."""
    index = np.searchsorted(other, onset)
    edges = np.concatenate(([-(10**12)], other, [10**15]))
    apart = np.minimum(onset - edges[index], edges[index + 1] - onset) > near
    return (onset <= at + near) & (apart | (np.abs(onset - at) <= near))


def _copies(recording: Recording, heard: Heard, donors: NDArray[np.int64]) -> list[NDArray[np.float32]]:
    """Return each donor's sound alone (frames, channels), faded in and out, from ``_LEAD_S`` before its arrival."""
    rate, onsets = heard.rate, heard.onsets
    following = np.append(onsets.frame[1:], heard.frames)
    lead, fade = int(_LEAD_S * rate), int(_FADE_S * rate)
    copies = []
    for row in donors.tolist():
        start = int(onsets.frame[row])
        stop = min(start + int(_COPY_S * rate), int(following[row]) - lead)
        after = int(onsets.frame[row - 1]) + int(_AFTER_S * rate) if row else 0
        begin = min(max(start - lead - int(BEFORE_S * rate), after), start - lead)
        sound = recording.read(begin, stop).astype(np.float32, copy=False)
        piece = without_background(sound, start - lead - begin, rate).copy()
        piece[:lead] *= np.linspace(0.0, 1.0, lead, dtype=np.float32)[:, None]
        piece[-fade:] *= np.linspace(1.0, 0.0, fade, dtype=np.float32)[:, None]
        copies.append(piece)
    return copies


def _moments(heard: Heard, start: int, stop: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """Return moments for copies, at random but apart from one another and from what was heard."""
    rate = heard.rate
    steps = rng.uniform(*_APART_S, int((stop - start) / rate / _APART_S[0]) + 1)
    at = start + (np.cumsum(steps) * rate).astype(np.int64)
    at = at[at < stop - int(_COPY_S * rate)]
    edges = np.concatenate(([-(10**12)], heard.onsets.frame, [10**15]))
    after = np.searchsorted(edges, at)
    return at[(at > edges[after - 1]) & (edges[after] - at > int(_BEFORE_S * rate))]
