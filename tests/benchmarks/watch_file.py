"""Whether a watch says what the ledger says of the same sound: python watch_file.py [seconds] [seed] [feeds]

The simulated ball clocks of ``ledger_sound.py``, one microphone and one a station, with several feeds, go through
``watch`` and through the campaign's ledger. Printed are the closing summary beside the ledger, what was said while
listening that the ledger does not say, and which of the ledger's findings were said within 30 s and within 10 s.
"""

from __future__ import annotations

import contextlib
import io
import json
import re
import sys
import tempfile
import time
from pathlib import Path

from ledger_sound import NOISE_DB, ONE, SEVERAL, scene

from noisecheck.bench.campaign import load_campaign
from noisecheck.cli import main
from noisecheck.pipeline.campaign import measure_campaign
from noisecheck.simulate import simulate_file

FEEDS = ("steady", "cranked", "empty slots", "no schedule")
KINDS = ("stuck", "stray", "held_up", "arrived_late", "unheard")


def alike(kind: str, time_s: float, findings: list[tuple[str, float]]) -> bool:
    """Return whether the ledger has such a finding."""
    kind = "held_up" if kind == "arrived_late" else kind
    return any(k == kind and abs(t - time_s) < 0.1 for k, t in findings)


def watched(folder: Path, run: str) -> tuple[list[dict], float]:
    """Return the events of a watch over one run of a campaign, and the CPU seconds it took."""
    (file,) = next(r for r in load_campaign(folder).runs if r.name == run).files
    out, begun = io.StringIO(), time.process_time()
    with contextlib.redirect_stdout(out):
        main(["watch", "--rig", f"{folder}/rig.toml", "--source", f"{folder / file}", "--json", "--keep-nothing"])
    return [json.loads(line) for line in out.getvalue().splitlines()], time.process_time() - begun


def report(title: str, folder: Path, seconds: float) -> None:
    """Print what watch and ledger say of the one test run of a campaign."""
    (ledger,) = measure_campaign(load_campaign(folder)).ledgers
    events, spent = watched(folder, ledger.run)
    summary = events[-1]
    findings = [(f.kind, round(f.time_s, 6)) for f in ledger.findings]
    kept = [(f["kind"], f["time_s"]) for f in summary["findings"]]
    odds = [
        max(a.odds / b["odds"], b["odds"] / a.odds) for a, b in zip(ledger.findings, summary["findings"], strict=False)
    ]
    print(f"{title}: {100 * spent / seconds:.1f} % of a core; ledger fed {ledger.fed}, arrived {ledger.arrived}, "
          f"{len(findings)} findings; summary {summary['fed']}, {summary['arrived']}, {len(kept)}; "
          f"{'same, odds within' if findings == kept else 'NOT the same'} {max(odds, default=1.0):.2f}")  # fmt: skip
    said = [e for e in events if e["event"] in KINDS]
    for within in (10.0, 30.0):
        soon = sum(any(alike(e["event"], t, [(k, t)]) and e["said_s"] < t + within for e in said) for k, t in findings)
        print(f"   said within {within:g} s: {soon} of {len(findings)}")
    for e in said:
        held = any(
            alike("held_up", f[1], findings) and 0 < f[1] - e["time_s"] < 6 for f in findings if f[0] == "held_up"
        )
        if not alike(e["event"], e["time_s"], findings) and not (e["event"] == "stuck" and held):
            print(f"   not in the ledger: {e['event']} {e['state']} {e['time_s']:.2f} s, said at {e['said_s']:.1f} s, "
                  f"{e['odds']} : 1")  # fmt: skip
    print(f"   taken back or closed: {sum(e['event'] == 'cleared' for e in events)}", flush=True)


def laid_out(folder: Path, layout: tuple, feed: str, seconds: float, seed: int) -> Path:
    """Make the recordings of a ball clock with such a feed; return their campaign."""
    pace = {"cranked": "cranked", "no schedule": "random"}.get(feed, "steady")
    text = scene(layout, pace, 1, seconds, NOISE_DB["one" if layout is ONE else "several"], seed)
    if feed == "empty slots":
        text = text.replace("empty = 0.0", "empty = 0.2")
    if feed == "no schedule":
        balls = int(0.85 * seconds / 1.6)
        text = text.replace("period_s = 1.6", "period_s = 2.6").replace(
            f"balls = {balls}", f"balls = {balls * 8 // 13}"
        )
    (folder / "scene.toml").write_text(text)
    simulate_file(folder / "scene.toml", folder / "out")
    if feed == "no schedule":
        rig = folder / "out" / "rig.toml"
        rig.write_text(re.sub(r"(?m)^(period_s|balls) = .*\n", "", rig.read_text()))
    return folder / "out"


def run(seconds: float, seed: int, feeds: tuple[str, ...]) -> None:
    """Print it for the layouts and feeds."""
    for title, layout in (("one a station", SEVERAL), ("one microphone, taught by taps", ONE)):
        for feed in feeds:
            with tempfile.TemporaryDirectory() as name:
                report(f"{title}, {feed}", laid_out(Path(name), layout, feed, seconds, seed), seconds)


if __name__ == "__main__":
    given = sys.argv[1:3] + [None] * 2
    run(float(given[0] or 240.0), int(given[1] or 911), tuple(sys.argv[3:]) or FEEDS)
