"""The ledger from sound to findings: simulated runs of a ball clock with faults, measured and followed as any campaign.

Run: ``python tests/benchmarks/ledger_sound.py [runs] [seconds]``. Prints for each microphone layout and feed what was
named, missed and claimed falsely. Rates of faults are far above those of real machines, so that a few minutes do.
"""

from __future__ import annotations

import csv
import sys
import tempfile
from collections import Counter
from pathlib import Path

from noisecheck.bench.campaign import load_campaign
from noisecheck.pipeline.campaign import measure_campaign
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
SEVERAL = (("landing", [-60, 210, 150]), ("bend", [560, 200, 60]), ("tray", [1150, 190, -40]))
ONE = ((None, [560, 500, 250]),)


def scene(layout: tuple, pace: str, runs: int, seconds: float, noise_db: float) -> str:
    text = '[scene]\nname = "ledger from sound"\nseed = 31\nrate_hz = 48000\n'
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


def truth_of(folder: Path, run: str, seconds: float) -> tuple[list[tuple[str, float]], int, int]:
    """Return ((kind, seconds) of what went wrong, fed, arrived) by the simulator's own books."""
    found, fed, arrived = [], 0, 0
    with (folder / "truth" / f"{run}.balls.csv").open() as file:
        for ball in csv.DictReader(file):
            came = {k.removeprefix("arrival_s_"): float(v) for k, v in ball.items() if k.startswith("arrival_s_") and v}
            fed += 1
            arrived += ball["fate"] == "arrived" and "tray" in came and came["tray"] < seconds
            heard = {k: v for k, v in came.items() if k not in ball["unheard_at"].split(";")}
            if ball["fate"] in ("stuck", "kicked_off") and heard:
                found.append(("stuck", max(heard.values())))
            found += [("held_up", came[k]) for k in ball["held_up_at"].split(";") if k in heard]
            found += [("unheard", came[k]) for k in ball["unheard_at"].split(";") if k in came]
    with (folder / "truth" / f"{run}.impacts.csv").open() as file:
        found += [("stray", float(i["time_s"])) for i in csv.DictReader(file) if int(i["ball"]) < 0]
    return sorted((t for t in found if t[1] < seconds - 4.0), key=lambda t: t[1]), fed, arrived


def main(runs: int, seconds: float, noise_db: float = -52.0) -> None:
    for title, layout in (("one a station", SEVERAL), ("one microphone, taught by taps", ONE)):
        for pace in ("steady", "cranked"):
            with tempfile.TemporaryDirectory() as name:
                folder = Path(name)
                (folder / "scene.toml").write_text(scene(layout, pace, runs, seconds, noise_db))
                simulate_file(folder / "scene.toml", folder / "out")
                result = measure_campaign(load_campaign(folder / "out"))
                named, missed, false = Counter(), Counter(), Counter()
                print(f"{title}, {pace}: {runs} runs of {seconds:g} s")
                for ledger in result.ledgers:
                    truth, fed, arrived = truth_of(folder / "out", ledger.run, seconds)
                    left = list(ledger.findings)
                    for kind, time_s in truth:
                        near = [f for f in left if f.kind == kind and abs(f.time_s - time_s) < 1.0]
                        (named if near else missed)[kind] += 1
                        if near:
                            left.remove(near[0])
                        else:
                            print(f"   {ledger.run} missed {kind} at {time_s:.2f}")
                    for f in left:
                        if f.time_s < seconds - 4.0:
                            false[f.kind] += 1
                            print(f"   {ledger.run} false {f.kind} at {f.time_s:.2f} {f.station}: {f.why}")
                    print(
                        f"   {ledger.run} fed {ledger.fed} of {fed}, arrived {ledger.arrived} of {arrived}, "
                        f"undecided {ledger.undecided} {'; '.join(ledger.notes)}"
                    )
                for kind in ("stuck", "stray", "held_up", "unheard"):
                    print(
                        f"   {kind:8} named {named[kind]:3} missed {missed[kind]:3} false {false[kind]:3}", flush=True
                    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 3, float(sys.argv[2]) if len(sys.argv) > 2 else 600.0)
