"""Taught sounds: against scikit-learn's own discriminant analysis, levels, unknown sounds, sessions, too few taps."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis

from noisecheck.core.errors import InputError
from noisecheck.core.table import Impacts
from noisecheck.place.evidence import decided
from noisecheck.place.sound import LEAST_TAPS
from noisecheck.place.spectra import sounds_of
from noisecheck.place.taught import Accuracy, Lesson, TaughtSounds, teach

SOUNDS: dict[str, np.ndarray] = {}
NAMES = ("landing", "bend", "gate", "tray")


@pytest.fixture(autouse=True)
def _sounds(shapes) -> None:
    SOUNDS["known"] = shapes(5, seed=3)


def _taps(made, k: int, n: int, seed: int, *, tilt_db: float = 0.0, **options) -> Impacts:
    """Return taps of station ``k``, with a session's own tilt of the spectrum."""
    tilt = tilt_db * np.linspace(-1, 1, 30)
    return made(np.tile(SOUNDS["known"][k] + tilt, (n, 1)), seed=seed, **options)


def _lessons(made, sessions: int = 3, taps: int = 12) -> list[Lesson]:
    return [
        Lesson(name, _taps(made, k, taps, 100 * s + k, tilt_db=0.5 * s), f"day {s}")
        for s in range(sessions)
        for k, name in enumerate(NAMES)
    ]


def _answers(taught: TaughtSounds, impacts: Impacts, session: str = "day 0") -> np.ndarray:
    at, _ = decided(taught.evidence(impacts, NAMES, session=session).posterior())
    return at


def test_right_station_and_no_level_in_it(made) -> None:
    """From 40 dB above the background to 10 dB above it the answers are the same."""
    taught = teach(_lessons(made))
    for level in (-20.0, -35.0, -45.0, -50.0):
        for k in range(4):
            at = _answers(taught, _taps(made, k, 100, 7, level_db=level))
            assert np.mean(at == k) >= 0.97
            assert np.mean((at != k) & (at >= 0)) <= 0.01


@pytest.mark.parametrize("softer_db", [0.0, 6.0, 12.0])
def test_a_run_softer_than_its_taps_is_placed(made, softer_db: float) -> None:
    """Bands that stand out of the background in loud taps are lost in it where the run is softer."""
    taught = teach([Lesson(n, _taps(made, k, 10, k, level_db=-40.0), "day 0") for k, n in enumerate(NAMES)])
    run = Impacts.concat([_taps(made, k, 60, 20 + k, level_db=-40.0 - softer_db) for k in range(4)])
    assert np.mean(_answers(taught, run) == np.repeat(np.arange(4), 60)) >= 0.97


def test_a_foreign_sound_among_the_taps_teaches_nothing(made, shapes) -> None:
    """With one among the taps of each station, all other foreign sounds are still told from the stations'."""
    foreign = shapes(5, seed=11)
    lessons = []
    for k, name in enumerate(NAMES):
        taps = [_taps(made, k, 20, k), made(foreign[k][None], seed=30 + k)]
        lessons.append(Lesson(name, Impacts.concat(taps), "day 0"))
    taught = teach(lessons)
    for name in NAMES:
        assert f"1 of the 21 clear impacts that teach '{name}' sounds unlike the rest" in " ".join(taught.notes)
    for k in range(4):
        assert np.mean(_answers(taught, _taps(made, k, 100, 60 + k)) == k) >= 0.97
    assert np.mean(_answers(taught, made(np.tile(foreign[4], (100, 1)), seed=70)) == -1) >= 0.95
    assert "unlike the rest" not in " ".join(teach(_lessons(made)).notes)


@pytest.mark.parametrize("measured", [0, 2])
def test_decays_hardly_ever_measured_at_a_station_say_little_there(made, measured: int) -> None:
    """Ten taps whose decay hardly ever stood out of the noise say nothing against one that does."""
    lessons = [Lesson(n, _taps(made, k, 10, k), "day 0") for k, n in enumerate(NAMES)]
    taps = lessons[1].impacts
    short = np.where(np.arange(10) < measured, taps["decay_ms"], np.nan)
    lessons[1] = Lesson(NAMES[1], taps.with_columns(decay_ms=short), "day 0")
    run = _taps(made, 1, 100, 21)
    assert np.mean(_answers(teach(lessons), run) == 1) >= 0.97
    # Where they were measured they do say what it is not: what rings a hundred times as long is something else.
    long = _taps(made, 2, 100, 22)
    long = long.with_columns(decay_ms=100.0 * long["decay_ms"])
    assert np.mean(_answers(teach(lessons), long) == -1) >= 0.9


def test_rebounds_in_the_ring_before_them_leave_the_background_alone(made) -> None:
    """What stands before a rebound is the ring of the contact before it: more in some bands, as before in the rest."""
    others = Impacts.concat([_taps(made, k, 15, 40 + k) for k in range(4)])
    rebounds = _taps(made, 0, 15, 30)
    rebounds = rebounds.with_columns(margin_db=rebounds["margin_db"] - 12.0)
    alone, together = sounds_of(others), sounds_of(Impacts.concat([others, rebounds]))
    assert np.nanmax(np.abs(together.floor_db[: len(others)] - alone.floor_db)) < 5.0


def test_runs_of_other_backgrounds_keep_their_own(made) -> None:
    """A campaign is grouped as a whole: the noise of a louder room is no ring."""
    quiet, loud = (Impacts.concat([_taps(made, k, 15, 60 + k) for k in range(4)]) for _ in range(2))
    loud = loud.with_columns(run="loud", margin_db=loud["margin_db"] - 12.0)
    floor = sounds_of(Impacts.concat([quiet, loud])).floor_db
    assert np.nanmax(np.abs(floor[60:] - floor[:60] - 12.0)) < 1.0


def test_no_worse_than_discriminant_analysis(made, shapes) -> None:
    """On overlapping sounds: at least as many right as scikit-learn's shrunk LDA on shapes, less 3.5 %.

    LDA takes the background's part in a band for the station's own; it is the same in these taps and runs alone.
    """
    base = shapes(1, seed=9)[0]
    rng = np.random.default_rng(4)
    alike = base + np.cumsum(rng.normal(0, 0.8, (4, 30)), axis=1)
    lessons = [Lesson(n, made(np.tile(alike[k], (15, 1)), seed=k), "day 0") for k, n in enumerate(NAMES)]
    test = [made(np.tile(alike[k], (250, 1)), seed=50 + k) for k in range(4)]
    taught = teach(lessons)

    def plain(impacts: Impacts) -> np.ndarray:
        power = 10 ** (impacts["bands"][:, 4:].astype(float) / 10)  # from 63 Hz on, as the tool does
        return 10 * np.log10(power / power.sum(axis=1, keepdims=True))

    truth = np.repeat(np.arange(4), 250)
    lda = LinearDiscriminantAnalysis(solver="lsqr", shrinkage="auto")
    lda.fit(np.concatenate([plain(q.impacts) for q in lessons]), np.repeat(np.arange(4), 15))
    theirs = np.mean(lda.predict(np.concatenate([plain(t) for t in test])) == truth)
    ours = np.concatenate([taught.evidence(t, NAMES).log_likelihood.argmax(axis=1) for t in test])
    assert theirs > 0.8
    assert np.mean(ours == truth) >= theirs - 0.035


def test_probabilities_come_true(made, shapes) -> None:
    """Of answers given with probability p, about p are right (overlapping sounds, where it matters)."""
    base = shapes(1, seed=9)[0]
    rng = np.random.default_rng(4)
    alike = base + np.cumsum(rng.normal(0, 0.5, (4, 30)), axis=1)
    taught = teach([Lesson(n, made(np.tile(alike[k], (25, 1)), seed=k), "a") for k, n in enumerate(NAMES)])
    evidence = [taught.evidence(made(np.tile(alike[k], (300, 1)), seed=60 + k), NAMES) for k in range(4)]
    p = np.concatenate([e.posterior(prior_unplaced=1e-9) for e in evidence])
    truth = np.repeat(np.arange(4), 300)
    top, right = p[:, :4].max(axis=1), p[:, :4].argmax(axis=1) == truth
    assert 0.5 < right.mean() < 0.99
    assert abs(top.mean() - right.mean()) < 0.06


def test_unknown_sound_is_unplaced(made) -> None:
    taught = teach(_lessons(made))
    assert np.mean(_answers(taught, _taps(made, 4, 200, 8)) == -1) >= 0.95
    flat = made(np.random.default_rng(2).normal(0, 6, (200, 30)), seed=3)
    assert np.mean(_answers(taught, flat) == -1) >= 0.95


def test_empty_bands_do_no_harm(made) -> None:
    """A codec or a lower sample rate took the bands above 8 kHz."""
    taught = teach(_lessons(made))
    for k in range(4):
        impacts = _taps(made, k, 60, 11)
        bands = impacts["bands"].copy()
        bands[:, 26:] = np.nan
        assert np.mean(_answers(taught, impacts.with_columns(bands=bands)) == k) >= 0.95


def test_accuracy_leaves_sessions_out(made) -> None:
    taught = teach(_lessons(made))
    assert taught.accuracy is not None
    assert taught.accuracy.total == 3 * 4 * 12
    assert taught.accuracy.right >= 0.95
    assert taught.withheld == {}
    assert taught.accuracy.sentence in taught.notes


def test_accuracy_is_said_in_words() -> None:
    """20 taps: 17 right, 2 at the other station, 1 nowhere; the bend has 8 of 10."""
    one = Accuracy(("landing", "bend"), np.array([[9, 1, 0], [1, 8, 1]]))
    assert one.right == pytest.approx(0.85)
    assert one.wrong == pytest.approx(0.10)
    assert "17 of 20 taps (85 %) put to their own station, 2 to another, 1 to none" in one.sentence
    assert one.sentence.endswith("least sure: 'bend', 80 %")


def test_session_that_no_longer_fits_gets_no_labels(made) -> None:
    """On the third day the landing has a new pad that sounds like nothing taught."""
    lessons = _lessons(made, sessions=2)
    lessons += [Lesson(n, _taps(made, 4 if k == 0 else k, 12, 900 + k), "day 2") for k, n in enumerate(NAMES)]
    taught = teach(lessons)
    assert list(taught.withheld) == ["day 2"]
    assert "taps of 'landing' no longer sound as taught" in taught.withheld["day 2"]
    evidence = taught.evidence(_taps(made, 1, 10, 5), NAMES, session="day 2")
    assert not evidence.log_likelihood.any()
    assert evidence.notes == (taught.withheld["day 2"],)
    assert np.all(_answers(taught, _taps(made, 1, 10, 5), "day 1") == 1)


def test_treatment_taught_apart_is_the_same_station(made) -> None:
    """Bare and felt landings sound different; both are the landing when both were taught."""
    lessons = _lessons(made, sessions=2)
    lessons += [Lesson("landing", _taps(made, 4, 12, 700 + s), f"day {s}", treatment="felt") for s in range(2)]
    taught = teach(lessons)
    assert np.mean(_answers(taught, _taps(made, 4, 100, 8)) == 0) >= 0.97
    assert np.mean(_answers(taught, _taps(made, 0, 100, 8)) == 0) >= 0.97


def test_too_few_taps_and_one_session_are_said(made) -> None:
    lessons = _lessons(made, sessions=1)
    lessons[3] = Lesson("tray", lessons[3].impacts.where(np.arange(LEAST_TAPS - 1)), "day 0")
    taught = teach(lessons)
    notes = " ".join(taught.notes)
    assert "station 'tray' is taught by 4 clear impacts: at least 5 are needed" in notes
    assert "one session only" in notes
    assert taught.stations == ("landing", "bend", "gate")
    assert taught.accuracy is None
    assert np.mean(_answers(taught, _taps(made, 3, 50, 8)) == -1) >= 0.9


def test_station_taught_in_one_session_only_is_said(made) -> None:
    lessons = [q for q in _lessons(made, sessions=2) if q.station != "tray" or q.session == "day 0"]
    assert any("'tray' was taught in one session only" in note for note in teach(lessons).notes)


def test_bad_lessons(made) -> None:
    with pytest.raises(InputError, match="needs its station"):
        teach([Lesson("", _taps(made, 0, 6, 1))])
    with pytest.raises(InputError, match="'lading', which is not a declared station"):
        teach([Lesson("lading", _taps(made, 0, 6, 1))], stations=NAMES)
    nothing = teach([])
    assert len(nothing.evidence(Impacts.empty(), NAMES)) == 0
    assert not nothing.evidence(_taps(made, 0, 3, 1), NAMES).log_likelihood.any()


@pytest.mark.parametrize(("scene", "least"), [("scene1", 0.95), ("scene2", 0.97), ("scene3", 0.95)])
def test_real_objects_taught_from_the_first_20_s(scene: str, least: float, shared: Path) -> None:
    """Real strokes at 6 dB margin or more, taught from the first 20 s, told apart in the remaining 40 s."""
    import soundfile

    from noisecheck.measure.events import measure_impacts

    x, rate = soundfile.read(shared / f"{scene}.flac", dtype="float32", always_2d=True)
    rows = list(csv.DictReader((shared / f"{scene}.truth.csv").read_text().splitlines()))
    times = np.array([float(r["time_s"]) for r in rows])
    place = np.array([r["place"] for r in rows])
    onsets = np.round(times * rate).astype(np.int64)
    starts, stops = np.append(0, onsets + round(0.3 * rate)), np.append(onsets - round(0.01 * rate), len(x))
    columns = measure_impacts(
        x,
        rate,
        origin=0,
        onsets=onsets,
        channels=np.zeros(len(onsets), int),
        limits=np.append(onsets[1:], len(x)),
        quiet=np.stack([starts, stops], 1)[stops - starts > 0.02 * rate],
    )
    impacts = Impacts.of(len(onsets), frame=onsets, time_s=times, **columns)
    early, names = times < 20, tuple(sorted(set(place)))
    taught = teach([Lesson(n, impacts.where(early & (place == n))) for n in names])
    late = impacts.where(~early)
    at, _ = decided(taught.evidence(late, names).posterior())
    right = np.array([*names, ""], object)[at] == place[~early]
    assert right[late["margin_db"] > 6.0].mean() >= least
