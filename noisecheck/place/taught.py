"""Taught sounds: which impacts taught which station, how well they hold across sessions, and what they say of a run.

A session is one setting-up of the recorder. What was taught in some sessions is tried on the taps of the next before
it is believed there; a session whose taps no longer fit gets no labels by sound, and a sentence that says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.errors import InputError
from noisecheck.core.flags import LOST, Flag
from noisecheck.core.records import record
from noisecheck.core.table import Impacts
from noisecheck.place.evidence import UNKNOWN, Evidence, decided
from noisecheck.place.sound import LEAST_TAPS, SESSION_DB, SoundModel, calibrated, fit_sounds, own_bands
from noisecheck.place.spectra import Sounds, sounds_of

__all__ = ["Accuracy", "Lesson", "TaughtSounds", "teach"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

STATION_CAP: Final = 9.0
"""Most (in log odds) that sound may prefer one station to another."""
UNPLACED_CAP: Final = 5.0
"""Most that sound may speak for or against "unplaced": a new pad sounds new, but is no new place."""
_FOLDS: Final = 5
_LEAST_SHARE: Final = 0.5
_USABLE_BANDS: Final = 4.0
_UNCLEAR: Final = int(Flag.BOUND | LOST)
_TRUSTED_DB: Final = 6.0
_FAR, _LEAST_USUAL = 5.0, 0.3  # taught impacts so many times the usual distance away, that least, were no taps


@record
class Lesson:
    """Impacts of one run known to be at one station: taps, or a run with only that station sounding."""

    station: str
    impacts: Impacts
    session: str = ""
    treatment: str = ""


@record
class Accuracy:
    """How taught sounds did on sessions left out of the teaching (never on what they were taught with)."""

    stations: tuple[str, ...]
    confusion: Ints
    """Taps of a station (row) by the answer (column; the last is "unplaced"), (stations, stations + 1)."""

    @property
    def total(self) -> int:
        """Taps tried."""
        return int(self.confusion.sum())

    @property
    def right(self) -> float:
        """Share of all taps put to their own station; NaN when none was tried."""
        return float(np.trace(self.confusion)) / self.total if self.total else float("nan")

    @property
    def wrong(self) -> float:
        """Share of all taps put to another station (the rest were left unplaced)."""
        named = float(self.confusion[:, :-1].sum() - np.trace(self.confusion))
        return named / self.total if self.total else float("nan")

    @property
    def sentence(self) -> str:
        """Say how the taps of sessions left out were placed, and which station did worst."""
        total = self.total
        if not total:
            return "placing by sound: no taps could be tried on a session left out"
        right, named = int(np.trace(self.confusion)), int(self.confusion[:, :-1].sum())
        text = (
            f"placing by sound, each session in turn left out of the teaching: {right} of {total} taps "
            f"({100 * self.right:.0f} %) put to their own station, {named - right} to another, {total - named} to none"
        )
        each = self.confusion.sum(axis=1)
        share = np.where(each > 0, np.diag(self.confusion[:, :-1]) / np.maximum(each, 1), 1.0)
        worst = int(share.argmin())
        return text + (f"; least sure: '{self.stations[worst]}', {100 * share[worst]:.0f} %" if right < total else "")


@record
class TaughtSounds:
    """What was taught; made by :func:`teach`."""

    stations: tuple[str, ...]
    model: SoundModel | None
    station_of: Ints
    """Station of each class of the model, (classes,)."""
    accuracy: Accuracy | None
    """Leave-one-session-out; None when fewer than two sessions can be compared."""
    sessions: tuple[str, ...] = ()
    """Sessions that taught."""
    withheld: dict[str, str] = field(default_factory=dict)
    """Sessions in which labels by sound are withheld, and why."""
    notes: tuple[str, ...] = ()

    def evidence(self, impacts: Impacts, stations: Sequence[str], *, session: str = "") -> Evidence:
        """Return what the sounds of one run's impacts say.

        Args:
            impacts: all impacts of one run, measured.
            stations: stations of the answer; those not taught come out "unplaced" unless another way speaks for them.
            session: the run's session; where it is withheld, the evidence says nothing and a note says why.
        """
        if session in self.withheld:
            return Evidence.none(stations, len(impacts), notes=(self.withheld[session],))
        if self.model is None or not len(impacts):
            return Evidence.none(stations, len(impacts))
        model = self.model
        if len(self.sessions) == 1 and session not in self.sessions:
            model = model.widened(SESSION_DB)
        taught, none = _by_station(model, self.station_of, sounds_of(impacts), len(self.stations))
        likelihood = np.repeat(none[:, None] + UNKNOWN, len(stations), axis=1)
        for s, name in enumerate(self.stations):
            if name in stations:
                likelihood[:, list(stations).index(name)] = taught[:, s]
        # What is hardly above the background may be another sound's ring: believed the less.
        margin = impacts["margin_db"]
        trust = np.where(np.isfinite(margin), np.clip(margin / _TRUSTED_DB, 0.1, 1.0), 1.0)
        likelihood *= trust[:, None]
        none = none * trust
        return Evidence(tuple(stations), likelihood, none).capped(stations=STATION_CAP, unplaced=UNPLACED_CAP)


def teach(lessons: Sequence[Lesson], *, stations: Sequence[str] | None = None) -> TaughtSounds:
    """Return what the lessons teach.

    Sessions are taken in order of first appearance; each is tried with what the earlier ones taught. A station is a
    class of its own for every treatment taught with at least five impacts.

    Args:
        lessons: impacts at known stations, each of one run.
        stations: names that may be taught; None allows any.

    Raises:
        InputError: a lesson without a station, or at a station that is not among ``stations``.
    """
    for lesson in lessons:
        if not lesson.station:
            raise InputError(
                "a run that teaches a sound needs its station: fill in the column station of the run sheet"
            )
        if stations is not None and lesson.station not in stations:
            raise InputError(f"sounds are taught for '{lesson.station}', which is not a declared station")
    book = _Book.of(lessons)
    notes = list(book.notes)
    if not book.stations:
        return TaughtSounds((), None, np.empty(0, np.int64), None, notes=tuple(notes))
    if len(book.stations) == 1:
        notes.append(
            f"only '{book.stations[0]}' is taught: by sound the tool can say that an impact is there, or is not"
        )
    accepted, withheld = _accepted(book)
    kept = book.where(np.isin(book.session, accepted))
    model, taps = _fitted(kept)
    notes += _foreign_notes(kept, taps)
    accuracy = _left_out(kept, accepted)
    if accuracy is None:
        notes.append(
            "sounds were taught in one session only: how well they hold when the microphone is set up anew is not "
            "known; tap every station again in the next session"
        )
    else:
        notes.append(accuracy.sentence)
        once = [s for i, s in enumerate(kept.stations) if len(set(kept.session[kept.station == i].tolist())) < 2]
        notes += [f"station '{s}' was taught in one session only: its sound is not checked in another" for s in once]
    taught = tuple(book.sessions[s] for s in accepted)
    return TaughtSounds(book.stations, model, book.class_station, accuracy, taught, withheld, tuple(notes))


@record
class _Book:
    """All taught impacts in one place."""

    stations: tuple[str, ...]
    class_station: Ints
    sounds: Sounds
    station: Ints
    kind: Ints
    """Class (station and treatment) of each impact."""
    session: Ints
    sessions: tuple[str, ...]
    notes: tuple[str, ...] = ()

    def where(self, keep: NDArray[np.bool_]) -> _Book:
        return replace(
            self, sounds=self.sounds.where(keep), station=self.station[keep], kind=self.kind[keep],
            session=self.session[keep],
        )  # fmt: skip

    @classmethod
    def of(cls, lessons: Sequence[Lesson]) -> _Book:
        parts = [sounds_of(lesson.impacts) for lesson in lessons]
        usable = [
            (own_bands(p) > _USABLE_BANDS) & ~lesson.impacts.flagged(_UNCLEAR)
            for p, lesson in zip(parts, lessons, strict=True)
        ]
        count: dict[str, int] = {}
        kinds: dict[tuple[str, str], int] = {}
        for lesson, good in zip(lessons, usable, strict=True):
            taps = int(good.sum())
            count[lesson.station] = count.get(lesson.station, 0) + taps
            key = (lesson.station, lesson.treatment)
            kinds[key] = kinds.get(key, 0) + taps
        notes = [
            f"station '{s}' is taught by {n} clear {'impact' if n == 1 else 'impacts'}: at least {LEAST_TAPS} are "
            "needed to know it by its sound"
            for s, n in count.items()
            if n < LEAST_TAPS
        ]
        stations = tuple(s for s, n in count.items() if n >= LEAST_TAPS)
        # A treatment with few taps of its own is taught together with the station's commonest one.
        classes: dict[tuple[str, str], int] = {}
        owner: list[int] = []
        for s, station in enumerate(stations):
            own = sorted(((n, key) for key, n in kinds.items() if key[0] == station), reverse=True)
            for n, key in own:
                if n >= LEAST_TAPS or not any(k[0] == station for k in classes):
                    classes[key] = len(owner)
                    owner.append(s)
                else:
                    classes[key] = classes[own[0][1]]
        sessions = tuple(dict.fromkeys(lesson.session for lesson in lessons))
        taken = [i for i, lesson in enumerate(lessons) if lesson.station in stations]

        def column(values: list[int]) -> Ints:
            repeats = [int(usable[i].sum()) for i in taken]
            return np.repeat(np.array(values, np.int64), repeats)

        return cls(
            stations,
            np.array(owner, np.int64),
            Sounds.concat([parts[i].where(usable[i]) for i in taken]),
            column([stations.index(lessons[i].station) for i in taken]),
            column([classes[(lessons[i].station, lessons[i].treatment)] for i in taken]),
            column([sessions.index(lessons[i].session) for i in taken]),
            sessions,
            tuple(notes),
        )


def _by_station(model: SoundModel, station_of: Ints, sounds: Sounds, count: int) -> tuple[Floats, Floats]:
    """Return (log likelihood of each station (n, count), of none (n,)); a station's is that of its best class."""
    by_class, none = model.log_likelihood(sounds)
    out = np.full((len(none), count), -1e3)
    for s in np.unique(station_of):
        out[:, s] = by_class[:, station_of == s].max(axis=1)
    return out, none


def _fitted(book: _Book) -> tuple[SoundModel, NDArray[np.bool_]]:
    """Return a calibrated model of the impacts of a book that were taps by their sound, and which ones those are."""
    present, kinds = np.unique(book.kind, return_inverse=True)
    groups, taps = _groups(book), np.ones(len(kinds), bool)
    while True:  # one foreign sound hides the next: as long as there are any
        rows = np.flatnonzero(taps)
        squared, freedom = _left_out_distances(book.where(taps), kinds[rows], groups[rows], len(present))
        own = squared[np.arange(len(rows)), kinds[rows]] / freedom
        usual = np.array([np.median(own[kinds[rows] == k]) for k in range(len(present))])
        keep = own < _FAR * np.maximum(usual[kinds[rows]], _LEAST_USUAL)
        if keep.all() or np.bincount(kinds[rows[keep]], minlength=len(present)).min() < LEAST_TAPS:
            break
        taps[rows[~keep]] = False
    model = fit_sounds(book.sounds.where(taps), kinds[taps], len(present))
    ready = calibrated(model, squared, freedom, kinds[taps], book.class_station[present])
    # Classes not taught here stay in place, infinitely far away.
    mean = np.full((len(book.class_station), ready.mean.shape[1]), 0.0)
    mean[:, 0] = 1e3
    mean[present] = ready.mean
    scale, seen = np.ones(len(mean)), np.ones_like(mean)
    scale[present], seen[present] = ready.scale, ready.seen
    return replace(ready, mean=mean, scale=scale, seen=seen), taps


def _left_out_distances(book: _Book, kinds: Ints, groups: Ints, count: int) -> tuple[Floats, Floats]:
    """Return (squared distance of each impact to each class of a model taught without its group, its freedom)."""
    squared, freedom = np.empty((len(kinds), count)), np.empty(len(kinds))
    for g in np.unique(groups):
        out = groups == g
        rest = ~out
        if len(np.unique(kinds[rest])) < count:
            rest = np.ones(len(kinds), bool)  # a class taught in this group alone cannot be left out
        part = fit_sounds(book.sounds.where(rest), kinds[rest], count)
        squared[out], freedom[out] = part.distances(book.sounds.where(out))
    return squared, freedom


def _foreign_notes(book: _Book, taps: NDArray[np.bool_]) -> list[str]:
    """Say of which stations some impacts were no taps."""
    notes = []
    for s, name in enumerate(book.stations):
        own = book.station == s
        left = int((own & ~taps).sum())
        if left:
            text = f"{left} of the {int(own.sum())} clear impacts that teach '{name}' sound{'s' if left == 1 else ''}"
            notes.append(f"{text} unlike the rest and teach nothing: were there other sounds among its taps?")
    return notes


def _fitted_elsewhere(book: _Book, known: NDArray[np.bool_]) -> SoundModel:
    """Return a model of the known impacts for use in a session that is not among theirs."""
    model, _ = _fitted(book.where(known))
    return model if len(np.unique(book.session[known])) > 1 else model.widened(SESSION_DB)


def _groups(book: _Book) -> Ints:
    """Return what is left out together: sessions, or fifths of each class where there is only one session."""
    if len(np.unique(book.session)) > 1:
        return book.session
    groups = np.zeros(len(book.kind), np.int64)
    for k in np.unique(book.kind):
        rows = np.flatnonzero(book.kind == k)
        groups[rows] = np.arange(len(rows)) * _FOLDS // max(len(rows), 1)
    return groups


def _answers(model: SoundModel, book: _Book, rows: NDArray[np.bool_]) -> Ints:
    taught, none = _by_station(model, book.class_station, book.sounds.where(rows), len(book.stations))
    evidence = Evidence(book.stations, taught, none).capped(stations=STATION_CAP, unplaced=UNPLACED_CAP)
    return decided(evidence.posterior())[0]


def _accepted(book: _Book) -> tuple[list[int], dict[str, str]]:
    """Return (sessions that fit with those before them, sessions withheld and why)."""
    accepted: list[int] = []
    withheld: dict[str, str] = {}
    for s, name in enumerate(book.sessions):
        rows = book.session == s
        known = np.isin(book.session, accepted)
        rows &= np.isin(book.station, np.unique(book.station[known])) | (not accepted)
        if not rows.any():
            if (book.session == s).any():
                accepted.append(s)
            continue
        if not accepted:
            accepted.append(s)
            continue
        answer = _answers(_fitted_elsewhere(book, known), book, rows)
        truth = book.station[rows]
        for station in np.unique(truth):
            n, fit = int((truth == station).sum()), int((answer[truth == station] == station).sum())
            if fit < _LEAST_SHARE * n:
                withheld[name] = (
                    f"session '{name}': {n - fit} of {n} taps of '{book.stations[station]}' no longer sound as taught, "
                    "so stations are not told by sound there; was a pad changed or the microphone moved?"
                )
                break
        else:
            accepted.append(s)
    return accepted, withheld


def _left_out(book: _Book, accepted: list[int]) -> Accuracy | None:
    """Return the accuracy on each session taught by the others; None where that cannot be tried."""
    if len(accepted) < 2:
        return None
    confusion = np.zeros((len(book.stations), len(book.stations) + 1), np.int64)
    for s in accepted:
        rows = book.session == s
        known = ~rows
        rows = rows & np.isin(book.station, np.unique(book.station[known]))
        if known.any() and rows.any():
            np.add.at(confusion, (book.station[rows], _answers(_fitted_elsewhere(book, known), book, rows)), 1)
    return Accuracy(book.stations, confusion) if confusion.any() else None
