"""Where each impact of a run happened: every way that applies, their odds added, one answer with a confidence."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.bench.rig import Rig
from noisecheck.core.errors import InputError
from noisecheck.core.flags import Flag
from noisecheck.core.records import record
from noisecheck.core.table import Impacts
from noisecheck.core.units import many
from noisecheck.detect.channels import Onsets
from noisecheck.place.array import array_of, pickups_of
from noisecheck.place.crosstalk import CrossTalk
from noisecheck.place.evidence import Evidence, decided
from noisecheck.place.microphones import microphone_evidence, station_channels
from noisecheck.place.positions import Positions, arrival_evidence, fitted_speed, locate
from noisecheck.place.taught import TaughtSounds
from noisecheck.place.timed import InRecording, Timed, deaf_in

__all__ = ["STATED_CONFIDENCE", "Found", "Placed", "place_run"]

Floats = NDArray[np.float64]

STATED_CONFIDENCE: Final = 0.8
"""Confidence that an impact is where the run sheet says, when nothing was heard to check it by: foreign sounds and
sounds from other parts of the machine must be expected (common practice, no source)."""
_STATED_ODDS: Final = 3.0  # log odds for the stated station beside what was taught
_MOSTLY: Final = 0.5
_CHECKED: Final = 20
_MISFIT: Final = 4.0
_LEAST_UNLIKE, _GONE = 5, 0.1  # foreign sounds that ask for an explanation; what is heard less often by so much is gone


@record
class Found:
    """Places in the plan, found by arrival time; rows are NaN where the place is not known."""

    xy_mm: Floats
    """(n, 2)."""
    ellipse: Floats
    """95 % ellipse: half axis, half axis (mm), angle of the first from x (rad), (n, 3)."""

    @property
    def known(self) -> NDArray[np.bool_]:
        """Return which places are known, (n,)."""
        return np.asarray(np.isfinite(self.xy_mm).all(axis=1) & np.isfinite(self.ellipse).all(axis=1))

    def to_dict(self, time_s: Floats) -> dict[str, Any]:
        """Return the places that are known as plain rows, for impacts at these times (s), (n,)."""
        names = ["time_s", "x_mm", "y_mm", "half_axis_mm", "other_half_axis_mm", "angle_deg"]
        rows = np.column_stack([time_s, self.xy_mm, self.ellipse[:, :2], np.degrees(self.ellipse[:, 2])])[self.known]
        return {"columns": names, "rows": [[round(v, 6), *(round(x, 1) for x in rest)] for v, *rest in rows.tolist()]}


@record
class Placed:
    """Where the ``n`` impacts of one run happened."""

    station: tuple[str, ...]
    """Name, empty when unplaced, (n,)."""
    confidence: Floats
    """Probability that the answer (a station, or none) is right, (n,)."""
    evidence: Evidence
    """All ways together, for what may add its own (the schedule)."""
    positions_mm: Floats
    """Places found by arrival time, (n, 2 or 3), NaN where unknown."""
    ellipse_mm: Floats
    """95 % ellipse in the plan: half axis, half axis (mm), angle of the first from x (rad), (n, 3), NaN if unknown."""
    ways: tuple[str, ...]
    """Ways that spoke: ``microphones``, ``arrival times``, ``contact pickups``, ``sound``, ``run sheet``."""
    notes: tuple[str, ...]
    doubts: tuple[str, ...] = ()
    """Those of the notes that say why the places of this run are in doubt."""

    @property
    def unplaced(self) -> NDArray[np.bool_]:
        """Return which impacts belong to no station, (n,)."""
        return np.array([not s for s in self.station], bool)

    @property
    def found(self) -> Found | None:
        """Return the places found by arrival time, None where there is none."""
        known = np.isfinite(self.positions_mm).all(axis=1).any()
        return Found(self.positions_mm[:, :2], self.ellipse_mm) if known else None

    def into(self, impacts: Impacts) -> Impacts:
        """Return the impacts with station, confidence and the flag ``unplaced`` filled in."""
        flags = impacts["flags"] & ~np.uint32(Flag.UNPLACED)
        flags = flags | np.where(self.unplaced, np.uint32(Flag.UNPLACED), np.uint32(0))
        return impacts.with_columns(station=self.station, station_confidence=self.confidence, flags=flags)


def place_run(
    onsets: Onsets,
    impacts: Impacts,
    rig: Rig,
    *,
    rate: float,
    taught: TaughtSounds | None = None,
    session: str = "",
    run_station: str = "",
    read: Callable[[int, int], NDArray[np.float32]] | None = None,
    timed: Timed | None = None,
    talk: CrossTalk | None = None,
    widened: float = 1.0,
    ticks: NDArray[np.bool_] | None = None,
) -> Placed:
    """Return where the impacts of one run happened.

    Each way that applies gives odds: the stations' own microphones (two or more), arrival times (two or more air
    microphones with positions, when ``read`` is given), contact pickups likewise, and taught sounds. They are added.
    ``run_station`` alone, with nothing to check it by, places every impact there with
    :data:`STATED_CONFIDENCE`; beside taught sounds it adds to their odds; microphones decide without it.

    Args:
        onsets: impacts found, one row each (after :func:`~noisecheck.place.microphones.split_simultaneous`).
        impacts: the same impacts measured.
        rig: stations and microphones; without stations everything is unplaced.
        rate: frames a second.
        taught: sounds taught by the campaign.
        session: the run's session.
        run_station: station of the run sheet, where the run took place at one.
        read: gives samples of the recording, as ``Recording.read``.
        timed: knows arrivals already, instead.
        talk: how the stations' microphones hear one another's impacts; None: as these impacts show it.
        widened: factor on standard deviations of arrivals that the run asked for so far; these may ask for more.
        ticks: which impacts the machine makes without balls, (n,): that these come from no station is no doubt.

    Raises:
        InputError: as many onsets as impacts are needed; a station that is not declared; positions in metres; a
            microphone on a channel the recording does not have.
    """
    n, names = len(onsets), rig.station_names
    if n != len(impacts):
        raise InputError(f"{n} onsets but {len(impacts)} impacts: place what was measured of the same onsets")
    if run_station and run_station not in names:
        raise InputError(f"the run's station '{run_station}' is not a declared station")
    total = Evidence.none(names, n)
    positions = Positions(np.full((n, 2), np.nan), np.full((n, 2, 2), np.nan))
    ways: list[str] = []
    doubts: list[str] = []
    if not n:
        return _placed(total, positions, ways)
    if not names:
        notes = ("no stations are declared: impacts can only be grouped by their sound",)
        return _placed(Evidence.none(names, n, notes=notes), positions, ways)
    own = station_channels(rig, onsets.arrival.shape[1])
    if len(own) >= 2:
        total += microphone_evidence(onsets, rig, rate, talk=talk)
        ways.append("microphones")
    timed = timed or (None if read is None else InRecording(read, rate))
    unheard = deaf_in(onsets)
    array = array_of(rig, without=unheard)
    if timed is not None and array is not None and max(array.channels) < onsets.arrival.shape[1]:
        arrivals = timed.air(onsets, impacts, array)
        positions = locate(arrivals, array)
        total += arrival_evidence(arrivals, array, names, widened=max(positions.widened, widened))
        ways.append("arrival times")
        doubts += [*_unheard(unheard, rig, n), *_misplaced(positions.widened)]
    if timed is not None:
        contact = _contact_evidence(onsets, rig, timed)
        if contact is not None:
            total += contact
            ways.append("contact pickups")
    if taught is not None:
        by_sound = taught.evidence(impacts, names, session=session)
        if by_sound.log_likelihood.any():
            ways.append("sound")
        total += replace(by_sound, notes=())
        doubts += by_sound.notes
    total = _stated(total, run_station or (names[0] if len(names) == 1 else ""), ways)
    placed = _placed(total, positions, ways)
    unlike = placed.unplaced if ticks is None else placed.unplaced[~ticks]
    share = float(unlike.mean()) if len(unlike) else 0.0
    if share > _MOSTLY and (ways == ["sound"] or (ways == ["arrival times"] and n >= _CHECKED)):
        found = f"{100 * share:.0f} % of the impacts "
        doubts.append(
            f"{found}fit no taught sound: tap the stations again as they are now"
            if ways == ["sound"]
            else f"{found}came from no station: check position_mm of the microphones and the stations in rig.toml"
        )
    elif taught is not None and ways == ["sound"]:
        doubts += _changed(placed, int(unlike.sum()), taught, [run_station] if run_station else taught.stations)
    return replace(placed, notes=(*placed.notes, *doubts), doubts=tuple(doubts))


def _changed(placed: Placed, unlike: int, taught: TaughtSounds, stations: Sequence[str]) -> list[str]:
    """Say which taught stations may sound otherwise than taught: something else is heard about as often as balls come.

    What is heard far less often than they come to the other stations stands in for none: no ball may have come.
    """
    count = {s: placed.station.count(s) for s in taught.stations}
    gone = [s for s in stations if s in count and count[s] < _GONE * unlike]
    elsewhere = sorted(n for s, n in count.items() if n and s not in gone)
    usual = elsewhere[len(elsewhere) // 2] if elsewhere else 0
    if unlike < max(_LEAST_UNLIKE, _MOSTLY * usual) or not gone:
        return []
    where = "' or '".join(gone)
    return [
        f"{many(unlike, 'impact')} fit no taught sound and hardly any is put to '{where}': was a pad changed there? "
        "Tap it as it is now, unless no ball came there"
    ]


def _misplaced(widened: float) -> list[str]:
    if widened < _MISFIT:
        return []
    return [
        f"arrivals miss every place by {widened:.0f} times what their noise explains: check position_mm of the "
        "microphones in rig.toml"
    ]


def _unheard(channels: list[int], rig: Rig, impacts: int) -> list[str]:
    known = {m.channel for m in rig.microphones if m.kind == "air" and m.position_mm is not None}
    return [
        f"the microphone on channel {c} heard hardly any of {impacts} impacts: arrival times are taken from the others"
        for c in channels
        if c in known
    ]


def _contact_evidence(onsets: Onsets, rig: Rig, timed: Timed) -> Evidence | None:
    """Return what contact pickups on one plate say, compared in one narrow band at the speed that fits the run."""
    array = pickups_of(rig, onsets.arrival.shape[1])
    if array is None:
        return None
    arrivals = timed.contact(onsets, array)
    return arrival_evidence(arrivals, fitted_speed(arrivals, array), rig.station_names)


def _stated(total: Evidence, station: str, ways: list[str]) -> Evidence:
    """Return the evidence with what the run sheet (or a rig of one station) says, where no microphone decides."""
    if not station or any(w != "sound" for w in ways):
        return total
    k, count = total.stations.index(station), len(total.stations)
    likelihood, unplaced = total.log_likelihood.copy(), total.unplaced.copy()
    if ways:
        likelihood[:, k] += _STATED_ODDS
    else:
        # So that the posterior is the stated confidence, with the rest left to "unplaced" and the other stations.
        others = [i for i in range(count) if i != k]
        from_prior = 0.95 / count
        odds = STATED_CONFIDENCE / (1.0 - STATED_CONFIDENCE)
        rest = 0.05 + from_prior * len(others)
        likelihood[:, k] = np.log(odds * rest / from_prior)
        ways.append("run sheet")
    return Evidence(total.stations, likelihood, unplaced, total.notes)


def _placed(total: Evidence, positions: Positions, ways: list[str]) -> Placed:
    at, confidence = decided(total.posterior())
    station = tuple(total.stations[k] if k >= 0 else "" for k in at.tolist())
    return Placed(station, confidence, total, positions.mm, positions.ellipse, tuple(ways), total.notes)
