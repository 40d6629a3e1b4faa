"""The ledger from sound to findings: simulated runs of a ball clock with faults, measured and followed as any campaign.

Run: ``python tests/benchmarks/ledger_sound.py [runs] [seconds] [seed] [margin dB]``. Prints for each microphone
layout and feed what was named, missed and claimed falsely, within 1 s. Rates of faults are far above those of real
machines, so that a few minutes do. The margin is that of L_AE at the quietest station. A ball unheard at the last
station is stuck by all that can be heard, and is listed apart; so is a stray within the window of a ball lost just
then, or within 2 ms of another impact. The oracle is one who knows every contact of every ball and hears the impacts
that were found. A ball whose sound was drowned by another impact, or is in one detection with it, is unheard in truth,
whether named or not.
"""

from __future__ import annotations

import csv
import sys
import tempfile
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from noisecheck.bench.campaign import load_campaign
from noisecheck.pipeline.campaign import CampaignResult, measure_campaign
from noisecheck.simulate import simulate_file

STATIONS = """
[[station]]
name = "landing"
position_mm = [0.0, 0.0, 0.0]
next = "bend"
transit_s = [0.85, 1.25]
surface = "acrylic"
drop_height_mm = 80.0
rebounds = 3
plate = { material = "acrylic", length_mm = 260.0, width_mm = 180.0, thickness_mm = 5.0, loss_factor = 0.03 }

[[station]]
name = "bend"
position_mm = [560.0, 0.0, -60.0]
next = "tray"
transit_s = [0.55, 0.80]
surface = "wood"
drop_height_mm = 30.0
rebounds = 1
plate = { material = "wood", length_mm = 180.0, width_mm = 120.0, thickness_mm = 9.0, loss_factor = 0.05 }

[[station]]
name = "tray"
position_mm = [1150.0, 0.0, -160.0]
target = true
surface = "steel"
drop_height_mm = 40.0
restitution = 0.45
rebounds = 1
plate = { material = "steel", length_mm = 300.0, width_mm = 200.0, thickness_mm = 1.5, loss_factor = 0.02 }
"""
LAST = "tray"
NOISE_DB = {"several": -52.0, "one": -59.0}
"""Noise at which the bend, the quietest station, has a margin of 12 dB."""
_ORACLE_S, _HEARD_S = 0.002, 0.010
SEVERAL = (("landing", [-60, 210, 150]), ("bend", [560, 200, 60]), ("tray", [1150, 190, -40]))
ONE = ((None, [560, 500, 250]),)


def scene(layout: tuple, pace: str, runs: int, seconds: float, noise_db: float, seed: int) -> str:
    text = f'[scene]\nname = "ledger from sound"\nseed = {seed}\nrate_hz = 48000\n'
    for channel, (station, place) in enumerate(layout):
        text += f"[[microphone]]\nchannel = {channel}\nposition_mm = {place}\nfull_scale_pa = 126.0\n"
        text += f'station = "{station}"\n' if station else ""
    text += STATIONS
    balls = int(0.85 * seconds / 1.6)
    text += f'[feed]\nstation = "landing"\nperiod_s = 1.6\nballs = {balls}\npace = "{pace}"\njitter = 0.03\n'
    text += f"empty = {0.05 if pace == 'cranked' else 0.0}\n"
    text += "[faults]\nheld_up = 0.005\nheld_up_s = [1.0, 3.0]\nstuck = 0.005\nkicked_off = 0.002\nunheard = 0.003\n"
    text += f"strays_per_hour = 30.0\n[room]\nt60_s = 0.45\n[background]\nnoise_db = {noise_db}\n"
    if layout is ONE:
        for name, _ in SEVERAL:
            text += f'[[run]]\nrun = "taps-{name}"\nstation = "{name}"\nrole = "taps"\nballs = 12\n'
    return text + f'[[run]]\nrun = "test-{{n}}"\nrepeat = {runs}\nseconds = {seconds}\n'


@dataclass
class Truth:
    """What happened in one run by the simulator's own books."""

    faults: list[tuple[str, float]]
    """(kind, seconds)."""
    excused: list[tuple[str, float, str]]
    """(kind, seconds, why) of what need not be named, or may be said without being wrong."""
    fed: int
    arrived: int
    strays_told: int = 0
    """Strays to be named that one who knew every ball's contacts could name."""


def told_by_oracle(strays: list[float], balls_s: np.ndarray, heard_s: np.ndarray) -> int:
    """Return how many strays are left where an impact was found that no contact of any ball explains.

    The oracle knows when every ball met anything, but hears what the ledger hears: impacts, to within ``_ORACLE_S``.
    """
    told = 0
    for time_s in strays:
        near = heard_s[np.abs(heard_s - time_s) < _HEARD_S]
        told += any(np.abs(balls_s - at).min(initial=1.0) > _ORACLE_S for at in near)
    return told


def truth_of(folder: Path, run: str, seconds: float, heard_s: np.ndarray) -> Truth:
    """Return the truth of a run in which impacts were found at ``heard_s``."""
    found: list[tuple[str, float]] = []
    excused: list[tuple[str, float, str]] = []
    lost: list[float] = []
    fed = arrived = 0
    with (folder / "truth" / f"{run}.impacts.csv").open() as file:
        rows = list(csv.DictReader(file))
    times = np.array([float(i["time_s"]) for i in rows])
    with (folder / "truth" / f"{run}.balls.csv").open() as file:
        for ball in csv.DictReader(file):
            came = {k.removeprefix("arrival_s_"): float(v) for k, v in ball.items() if k.startswith("arrival_s_") and v}
            fed += 1
            arrived += ball["fate"] == "arrived" and LAST in came and came[LAST] < seconds
            heard = {k: v for k, v in came.items() if k not in ball["unheard_at"].split(";")}
            if ball["fate"] in ("stuck", "kicked_off") and came:
                # One that was never heard is missed where it should have been heard first.
                found.append(("stuck", max((heard or came).values())))
                lost.append(max((heard or came).values()))
                if not heard:
                    continue
            found += [("held_up", came[k]) for k in ball["held_up_at"].split(";") if k in heard]
            for name in came:
                near = np.sum(np.abs(heard_s - came[name]) < _HEARD_S)
                if name in heard and near:
                    if near < np.sum(np.abs(times - came[name]) < _HEARD_S):
                        excused.append(("unheard", came[name], "in one detection with another"))
                    continue
                if name == LAST and ball["fate"] == "arrived":
                    excused.append(("stuck", max(v for k, v in came.items() if k != LAST), "not heard at the last"))
                elif name in heard:
                    excused.append(("unheard", came[name], "drowned"))
                else:
                    found.append(("unheard", came[name]))
    for row, time_s in zip(rows, times, strict=True):
        if int(row["ball"]) >= 0:
            continue
        if any(0.4 < time_s - t < 1.4 for t in lost):
            excused.append(("stray", float(time_s), "where a lost ball would have been"))
            excused += [("stuck", t, "a stray where it would have been") for t in lost if 0.4 < time_s - t < 1.4]
        elif np.sum(np.abs(times - time_s) < 0.002) > 1:
            excused.append(("stray", float(time_s), "within 2 ms of another"))
        else:
            found.append(("stray", float(time_s)))
    for kind, time_s, _ in excused:
        if (kind, time_s) in found:
            found.remove((kind, time_s))
    end = seconds - 4.0
    found = sorted((t for t in found if t[1] < end), key=lambda t: t[1])
    balls_s = np.array([float(i["time_s"]) for i in rows if int(i["ball"]) >= 0])
    told = told_by_oracle([t for kind, t in found if kind == "stray"], balls_s, heard_s)
    return Truth(found, [e for e in excused if e[1] < end], fed, arrived, told)


def main(runs: int, seconds: float, seed: int, margin_db: float) -> None:
    for title, layout in (("one a station", SEVERAL), ("one microphone, taught by taps", ONE)):
        noise_db = NOISE_DB["one" if layout is ONE else "several"] + 12.0 - margin_db
        for pace in ("steady", "cranked"):
            with tempfile.TemporaryDirectory() as name:
                folder = Path(name)
                (folder / "scene.toml").write_text(scene(layout, pace, runs, seconds, noise_db, seed))
                simulate_file(folder / "scene.toml", folder / "out")
                result = measure_campaign(load_campaign(folder / "out"))
                print(f"{title}, {pace}, {margin_db:g} dB: {runs} runs of {seconds:g} s")
                report(folder / "out", result, seconds)


def report(folder: Path, result: CampaignResult, seconds: float) -> None:
    """Print what was named, missed, excused and false."""
    counts = {kind: Counter() for kind in ("stuck", "stray", "held_up", "unheard")}
    swapped = told = strays = 0
    tests = [r for r in result.runs if r.run.role == "test"]
    for run, ledger in zip(tests, result.ledgers, strict=True):
        truth = truth_of(folder, ledger.run, seconds, run.impacts["time_s"])
        told += truth.strays_told
        strays += sum(kind == "stray" for kind, _ in truth.faults)
        left = [f for f in ledger.findings if f.time_s < seconds - 4.0]
        missed = []
        for kind, time_s in truth.faults:
            near = [f for f in left if f.kind == kind and abs(f.time_s - time_s) < 1.0]
            counts[kind]["named"] += bool(near)
            if near:
                left.remove(min(near, key=lambda f: abs(f.time_s - time_s)))
            else:
                missed.append((kind, time_s))
        for kind, time_s in missed:
            # Balls sound alike: where one of two is lost and either may have come late, the ledger names both.
            near = [f for f in left if f.kind == kind and abs(f.or_s - time_s) < 1.0]
            counts[kind]["named" if near else "missed"] += 1
            counts[kind]["named as one of two"] += bool(near)
            if near:
                left.remove(near[0])
                continue
            print(f"   {ledger.run} missed {kind} at {time_s:.2f}")
            swapped += kind in ("held_up", "unheard") and any(
                f.kind == "stuck" and -2.0 < f.time_s - time_s < 1.0 for f in ledger.findings
            )
        for kind, time_s, why in truth.excused:
            near = [f for f in left if f.kind == kind and abs(f.time_s - time_s) < 1.0]
            counts[kind]["excused, said" if near else "excused, not said"] += 1
            if near:
                left.remove(near[0])
                print(f"   {ledger.run} {kind} at {time_s:.2f} said {near[0].odds:.1f} : 1, {why}")
        for f in left:
            counts[f.kind]["false"] += 1
            print(f"   {ledger.run} false {f.kind} at {f.time_s:.2f} {f.station}: {f.why}")
        if (ledger.fed, ledger.arrived) != (truth.fed, truth.arrived) or ledger.undecided or ledger.notes:
            print(
                f"   {ledger.run} fed {ledger.fed} of {truth.fed}, arrived {ledger.arrived} of {truth.arrived}, "
                f"undecided {ledger.undecided} {'; '.join(ledger.notes)}"
            )
    for kind, count in counts.items():
        print(f"   {kind:8}", ", ".join(f"{k} {count[k]}" for k in ("named", "missed", "false")),
              *(f", {k} {v}" for k, v in sorted(count.items()) if v and len(k) > 6))  # fmt: skip
    print(f"   held up or unheard called stuck: {swapped}; strays an oracle could name: {told} of {strays}", flush=True)


if __name__ == "__main__":
    given = sys.argv[1:] + [None] * 4
    main(int(given[0] or 3), float(given[1] or 600.0), int(given[2] or 31), float(given[3] or 12.0))
