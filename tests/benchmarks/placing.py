"""How well impacts are placed. Run: python tests/benchmarks/placing.py [balls a run].

Simulated campaigns with one microphone and taught sounds, with a microphone a station, with an array; real scenes
taught from their first 20 s (where they are at hand); and what placing costs beside measuring.
"""

from __future__ import annotations

import csv
import itertools
import os
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

from noisecheck.audio.recording import ArrayRecording, open_recording
from noisecheck.bench.rig import Rig
from noisecheck.pipeline.listen import ListenSettings, listen
from noisecheck.place.combine import place_run
from noisecheck.place.delays import pair_delays
from noisecheck.place.evidence import decided
from noisecheck.place.microphones import microphone_evidence, split_simultaneous
from noisecheck.place.taught import Lesson, teach
from noisecheck.score import match
from noisecheck.simulate import parse_scene, render_run

RATE = 48000
PLACES: list[dict[str, Any]] = [
    {"name": "landing", "position_mm": [0, 0, 0], "surface": "steel", "drop_height_mm": 80,
     "plate": {"loss_factor": 0.03}},
    {"name": "bend", "position_mm": [350, 0, -60], "surface": "wood", "drop_height_mm": 40,
     "plate": {"material": "wood", "thickness_mm": 8, "length_mm": 200, "width_mm": 120, "loss_factor": 0.04}},
    {"name": "gate", "position_mm": [600, 80, -100], "surface": "acrylic", "drop_height_mm": 50,
     "plate": {"material": "acrylic", "thickness_mm": 4, "length_mm": 180, "width_mm": 150, "loss_factor": 0.06}},
    {"name": "tray", "position_mm": [900, 0, -160], "surface": "rubber", "drop_height_mm": 60, "target": True,
     "plate": {"material": "aluminium", "thickness_mm": 1.5, "length_mm": 300, "width_mm": 200, "loss_factor": 0.05}},
]  # fmt: skip
NAMES = tuple(p["name"] for p in PLACES)
ARRAYS: dict[int, list[list[float]]] = {
    3: [[-150, -300, 300], [1050, -300, 200], [450, 450, 300]],
    4: [[-150, -300, 300], [1050, -300, 200], [1050, 450, 300], [-150, 450, 100]],
    5: [[-150, -300, 300], [1050, -300, 200], [1050, 450, 300], [-150, 450, 100], [450, 100, 700]],
}
NEAR: list[dict[str, Any]] = [
    {"channel": c, "position_mm": [x, y + 80, z + 60], "station": p["name"]}
    for c, p in enumerate(PLACES)
    for x, y, z in [p["position_mm"]]
]
SMALL: list[list[float]] = [[300, 100, 250], [600, 100, 250], [600, 350, 250], [300, 350, 200]]


def scene(
    seed: int,
    noise_db: float,
    runs: list[dict[str, Any]],
    microphones: list[dict[str, Any]],
    period_s: float = 2.7,
    **more: Any,
) -> Any:
    stations = [dict(p, rebounds=more.get("rebounds", 2)) for p in PLACES]
    for a, b in itertools.pairwise(stations):
        a |= {"next": b["name"], "transit_s": [0.5, 0.9]}
    document = {
        "scene": {"rate_hz": RATE, "seed": seed}, "microphone": microphones, "station": stations,
        "feed": {"period_s": period_s}, "background": {"noise_db": noise_db, "motor_db": noise_db - 6}, "run": runs,
    }  # fmt: skip
    if "crosstalk_db" in more:
        document["crosstalk_db"] = more["crosstalk_db"]
    return parse_scene(document)


def heard(made: Any, run: Any) -> tuple[Any, np.ndarray, Any]:
    x, truth = render_run(made, run)
    recording = ArrayRecording(x, RATE)
    return listen(lambda: recording, settings=ListenSettings()), x, truth


def labels(times: np.ndarray, truth: Any, true_times: np.ndarray) -> tuple[np.ndarray, int]:
    """Return the true station of each row ('stray', or '' where nothing true is near), and how many were found."""
    found = match(times, true_times, tolerance_s=0.01)
    out = np.full(len(times), "", object)
    true = np.array([s or "stray" for s in truth.stations], object)
    out[found.found_index] = true[found.truth_index]
    return out, found.pairs


def by_sound(balls: int) -> None:
    microphone = [{"channel": 0, "position_mm": [450, 400, 300]}]
    moved = {"replaced_mm": 5, "replaced_db": 1}
    for seed in (11, 12, 13):
        runs = [
            {
                "run": f"taps-{p['name']}-{k}",
                "role": "taps",
                "station": p["name"],
                "balls": 12,
                "session": f"s{k}",
                **moved,
            }
            for p in PLACES
            for k in (1, 2, 3)
        ]
        runs += [
            {"run": f"test-{k}", "balls": balls, "session": f"s{k}", "faults": {"strays_per_hour": 900}, **moved}
            for k in (1, 2, 3)
        ]
        made = scene(seed, -52.0, runs, microphone)
        lessons, right, total, named, foreign, margins, spent = [], 0, 0, 0, 0, [], 0.0
        taught = None
        for run in made.runs():
            h, _, truth = heard(made, run)
            if run.role == "taps":
                lessons.append(Lesson(run.station, h.impacts, run.session))
                continue
            taught = taught or teach(lessons)
            true, _ = labels(h.impacts["time_s"], truth, truth.times_s())
            start = time.process_time()
            placed = place_run(
                h.onsets,
                h.impacts,
                Rig(station=[{"name": n} for n in NAMES]),
                rate=RATE,
                taught=taught,
                session=run.session,
            )
            spent += time.process_time() - start
            got = np.array(placed.station, object)
            known = np.isin(true, NAMES)
            right, total = right + int((got == true)[known].sum()), total + int(known.sum())
            named += int((got[true == "stray"] == "").sum())
            foreign += int((true == "stray").sum())
            margins.append(np.nanmedian(h.impacts["margin_db"][known]))
        accuracy = taught.accuracy.right if taught and taught.accuracy else float("nan")
        print(
            f"sound, seed {seed}: median margin {np.mean(margins):.0f} dB, right {right / total:.4f} of {total}, "
            f"foreign unplaced {named / max(foreign, 1):.3f} of {foreign}, left-out accuracy {accuracy:.3f}, "
            f"{1e6 * spent / (total + foreign):.0f} us an impact"
        )


def by_microphone(balls: int) -> None:
    rig = Rig.model_validate(
        {
            "microphone": [{"channel": c, "station": n} for c, n in enumerate(NAMES)],
            "station": [{"name": n} for n in NAMES],
        }
    )
    for seed, period_s in ((21, 2.7), (22, 2.7), (23, 1.3)):
        one = [{"run": "one", "balls": 3 * balls}]
        made = scene(seed, -65.0, one, NEAR, period_s, crosstalk_db=-12.0, rebounds=1)
        h, _, truth = heard(made, made.runs()[0])
        onsets = split_simultaneous(h.onsets, rig, RATE)
        at = decided(microphone_evidence(onsets, rig, RATE).posterior())[0]
        got = np.array([*NAMES, ""], object)[at]
        own = np.array([i.arrival_s[NAMES.index(i.contact.station)] for i in truth.impacts])
        true, pairs = labels(onsets.own_arrival / RATE, truth, own)
        apart = np.array([np.sort(np.abs(truth.times_s() - t))[1] > 0.02 for t in onsets.frame / RATE])
        known = true != ""
        print(
            f"microphones, seed {seed}: {len(own)} impacts, {len(onsets)} rows ({len(h.onsets)} before splitting), "
            f"found {pairs / len(own):.4f}, rows that are no impact {int((~known).sum())}, right "
            f"{np.mean((got == true)[known]):.4f}, right where no other within 20 ms "
            f"{np.mean((got == true)[known & apart]):.4f} of {int((known & apart).sum())}"
        )


def delays() -> None:
    """Errors of delays over their Cramer-Rao bound: a noise burst of 5 ms, 1 to 10 kHz, in white noise."""
    sys.path.insert(0, str(Path(__file__).parents[1] / "place"))
    from test_arrival import bound_s, bursts

    for snr_db in (30.0, 20.0, 10.0, 5.0):
        true = np.column_stack([np.zeros(400), np.random.default_rng(91).uniform(-1e-3, 1e-3, 400)])
        found, variance, _ = pair_delays(bursts(true, snr_db, 92), RATE, longest_s=0.0015)
        error = found[:, 0] - true[:, 1]
        known = np.isfinite(error)
        inside = np.abs(error[known]) < 1.96 * np.sqrt(variance[known, 0])
        print(
            f"delays at {snr_db:.0f} dB: {1e6 * np.sqrt(np.mean(error[known] ** 2)):.2f} us rms, "
            f"{np.sqrt(np.mean(error[known] ** 2)) / bound_s(snr_db):.2f} times the Cramer-Rao bound; within its own "
            f"95 % {inside.mean():.3f} of {int(known.sum())}"
        )


def held(array: list[list[float]], seed: int, noise_db: float, balls: int) -> tuple[np.ndarray, str]:
    """Return the share of 95 % ellipses that hold the truth at each station, and a line about the campaign."""
    microphones = [{"channel": c, "position_mm": p} for c, p in enumerate(array)]
    rig = Rig.model_validate(
        {"microphone": microphones, "station": [{"name": p["name"], "position_mm": p["position_mm"]} for p in PLACES]}
    )
    made = scene(seed, noise_db, [{"run": "one", "balls": balls}], microphones, rebounds=1)
    h, x, truth = heard(made, made.runs()[0])
    true, _ = labels(h.impacts["time_s"], truth, truth.times_s())
    start = time.process_time()
    placed = place_run(h.onsets, h.impacts, rig, rate=RATE, read=ArrayRecording(x, RATE).read)
    spent = time.process_time() - start
    got = np.array(placed.station, object)
    where = np.array([PLACES[NAMES.index(t)]["position_mm"][:2] if t in NAMES else [np.nan] * 2 for t in true])
    off = placed.positions_mm[:, :2] - where
    long, short, angle = placed.ellipse_mm.T
    along = off[:, 0] * np.cos(angle) + off[:, 1] * np.sin(angle)
    across = off[:, 1] * np.cos(angle) - off[:, 0] * np.sin(angle)
    out = (along / long) ** 2 + (across / short) ** 2
    good = np.isfinite(out)
    each = np.array([np.mean(out[good & (true == n)] < 1.0) for n in NAMES])
    return each, (
        f"{len(array)} microphones, noise {noise_db:.0f} dB: right {np.mean((got == true)[true != '']):.3f} of "
        f"{int((true != '').sum())}, median error {np.median(np.linalg.norm(off[good], axis=1)):.1f} mm, "
        f"in the ellipse {np.mean(out[good] < 1.0):.3f}, half axis {np.median(long[good]):.0f} mm, "
        f"{1e6 * spent / len(got):.0f} us an impact"
    )


def by_arrival(balls: int, seed: int = 9600) -> None:
    """Places by arrival times. Errors at a station hang together, so a campaign of four stations is four samples."""
    kinds = [ARRAYS[3], ARRAYS[4], ARRAYS[5], SMALL]
    shares = []
    for k in range(8):
        each, line = held(kinds[k % 4], seed + k, (-85.0, -80.0, -75.0, -70.0)[(k + k // 4) % 4], balls)
        shares.append(each)
        print(line, flush=True)
    by_campaign, spread = np.mean(shares, axis=1), np.std(shares)
    print(
        f"ellipses: {np.mean(shares):.3f} of 32 stations, by campaign {by_campaign.min():.3f} to "
        f"{by_campaign.max():.3f}, their spread {by_campaign.std():.3f}; four stations that spread by {spread:.3f} "
        f"would make it {spread / 2:.3f}"
    )


def elsewhere(rng: np.random.Generator) -> list[float]:
    """Return a place round the machine, at least 200 mm from each station."""
    while True:
        place = rng.uniform([-300.0, -400.0, -400.0], [1200.0, 500.0, 200.0])
        if np.linalg.norm(np.array([p["position_mm"] for p in PLACES]) - place, axis=1).min() > 200.0:
            return [float(v) for v in place]


def foreign(seed: int, place: list[float], microphones: list[dict[str, Any]], rig: Rig, noise_db: float) -> list[int]:
    """Return how many sounds from a place that is no station were unplaced, and how many there were."""
    run = {"run": "one", "balls": 12, "faults": {"strays_per_hour": 1500, "stray_position_mm": place}}
    made = scene(seed, noise_db, [run], microphones, 1.6, rebounds=1)
    h, x, truth = heard(made, made.runs()[0])
    true, _ = labels(h.impacts["time_s"], truth, truth.times_s())
    placed = place_run(h.onsets, h.impacts, rig, rate=RATE, read=ArrayRecording(x, RATE).read)
    got = np.array(placed.station, object)[true == "stray"]
    return [int((got == "").sum()), len(got)]


def unlike(place: list[float], corners: list[list[float]]) -> int:
    """Return 0 where a place's arrival times are within 0.15 ms of a station's at every microphone, else 1."""
    stations = np.array([p["position_mm"] for p in PLACES], float)
    late = np.linalg.norm(np.array(corners, float)[:, None] - np.vstack([stations, place]), axis=2) / 343e3
    late -= late.mean(axis=0)
    return int(np.abs(late[:, :-1] - late[:, -1:]).max(axis=0).min() > 0.15e-3)


def foreign_by_arrival(scenes: int) -> None:
    """Sounds from places that are no station, by arrival times alone.

    A place whose arrival times are within 0.15 ms of a station's at every microphone is counted apart: nothing but
    its sound could tell it from that station (small arrays hear a direction and hardly a distance).
    """
    for name, corners in {**{f"wide {m}": c for m, c in ARRAYS.items()}, "small 4": SMALL}.items():
        microphones = [{"channel": c, "position_mm": p} for c, p in enumerate(corners)]
        spots = [{"name": p["name"], "position_mm": p["position_mm"]} for p in PLACES]
        rig = Rig.model_validate({"microphone": microphones, "station": spots})
        counts = np.zeros((2, 2), int)
        rng = np.random.default_rng(len(corners) + (name == "small 4"))
        for k in range(scenes):
            place = elsewhere(rng)
            counts[unlike(place, corners)] += foreign(6000 + 40 * len(name) + k, place, microphones, rig, -75.0)
        print(
            f"arrival, {name}: foreign sounds unplaced {counts[1, 0]} of {counts[1, 1]}; from places that arrive like "
            f"a station {counts[0, 0]} of {counts[0, 1]}",
            flush=True,
        )


def foreign_by_microphone(scenes: int) -> None:
    """The same where all that is known is which microphone stands at which station."""
    rig = Rig.model_validate({"microphone": [{"channel": c, "station": n} for c, n in enumerate(NAMES)],
                              "station": [{"name": n} for n in NAMES]})  # fmt: skip
    rng, counts = np.random.default_rng(5), np.zeros((2, 2), int)
    corners = [m["position_mm"] for m in NEAR]
    for k in range(scenes):
        place = elsewhere(rng)
        counts[unlike(place, corners)] += foreign(7000 + k, place, NEAR, rig, -65.0)
    print(
        f"a microphone a station: foreign sounds unplaced {counts[1, 0]} of {counts[1, 1]}; from places that arrive "
        f"like a station {counts[0, 0]} of {counts[0, 1]}"
    )


def real() -> None:
    folder = Path(os.environ.get("NOISECHECK_SHARED", Path(__file__).parents[3] / "shared")) / "real"
    for path in sorted(folder.glob("*.flac")):
        rows = list(csv.DictReader(path.with_suffix("").with_suffix(".truth.csv").read_text().splitlines()))
        h = listen(lambda path=path: open_recording(path), settings=ListenSettings())
        impacts, times = h.impacts, h.impacts["time_s"]
        found = match(times, np.array([float(r["time_s"]) for r in rows]), tolerance_s=0.01)
        place = np.full(len(times), "", object)
        place[found.found_index] = np.array([r["place"] for r in rows], object)[found.truth_index]
        names = sorted(set(place) - {""})
        early = times < 20
        taught = teach([Lesson(n, impacts.where(early & (place == n))) for n in names])
        late = impacts.where(~early)
        at, _ = decided(taught.evidence(late, names).posterior())
        got, true = np.array([*names, ""], object)[at], place[~early]
        clear = late["margin_db"] > 6
        print(
            f"{path.stem}: right {np.mean(got == true):.3f} of {len(got)}, wrong "
            f"{np.mean((got != true) & (got != '')):.3f}, unplaced {np.mean(got == ''):.3f}; above 6 dB margin right "
            f"{np.mean((got == true)[clear]):.3f} of {clear.sum()}"
        )


def main() -> None:
    balls = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    real()
    by_sound(balls)
    by_microphone(balls)
    delays()
    by_arrival(balls)
    foreign_by_arrival(max(balls // 3, 1))
    foreign_by_microphone(max(balls // 3, 1))


if __name__ == "__main__":
    main()
