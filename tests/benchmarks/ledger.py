"""Large study of the ledger at table level: prints found, missed and false findings per condition.

Run: ``python tests/benchmarks/ledger.py [seeds]`` (about 2 s of one core per hour-long run). The runs come from
``tests/flow/flowmaker.py``. A stuck or stray ball counts as a coincidence when nothing but its sound could tell it:
the stray fell into the usual window of a ball lost just then, or within 1 s of a ball at the place it was put to, or
the ball was lost before the last station while another impact on the same microphone could have hidden it there.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "flow"))

from flowmaker import DEGRADED, coincidence, make_run, score

from noisecheck.flow.ledger import follow_balls
from noisecheck.flow.route import FeedPlan, LedgerSettings

CONDITIONS: dict[str, dict] = {
    "12 dB, steady, one microphone": {"kind": "steady"},
    "12 dB, steady, one a station": {"kind": "steady", "one_microphone": False},
    "12 dB, hand-cranked, one microphone": {"kind": "cranked"},
    "12 dB, hand-cranked, one a station": {"kind": "cranked", "one_microphone": False},
    "12 dB, drifting, transit learnt": {"kind": "drifting", "learnt": True},
    "12 dB, hand-cranked, transit learnt": {"kind": "cranked", "learnt": True},
    "12 dB, 10 % empty slots": {"kind": "empty"},
    "12 dB, starts mid-flow": {"kind": "cranked", "start_s": 20.0},
    "no schedule at all (Poisson)": {"kind": "none"},
    "degraded, hand-cranked, one microphone": {"kind": "cranked", **DEGRADED},
    "degraded, steady, one a station": {"kind": "steady", "one_microphone": False, **DEGRADED},
}


def main(seeds: int) -> None:
    for name, options in CONDITIONS.items():
        found, missed, false, chance = Counter(), Counter(), Counter(), Counter()
        excused = hopeless = swapped = 0
        slowest, lowest = 0.0, 1e9
        for seed in range(100, 100 + seeds):
            run = make_run(seed, **options)
            settings = LedgerSettings(shared_microphone=options.get("one_microphone", True))
            begun = time.process_time()
            ledger = follow_balls(run.impacts, run.route, end_s=run.seconds, settings=settings, feed=FeedPlan())
            slowest = max(slowest, time.process_time() - begun)
            result = score(run, ledger)
            for kind in result.found:
                found[kind] += result.found[kind]
                missed[kind] += len(result.missed[kind])
                chance[kind] += sum(coincidence(run, t) for t in result.missed[kind])
                false[kind] += len(result.false[kind])
                for f in result.false[kind]:
                    if kind in ("stuck", "stray"):
                        print(f"   false {kind} seed {seed} {f.time_s:.2f} {f.station} {f.odds:.1f}: {f.why}")
                for t in result.missed[kind]:
                    if kind in ("stuck", "stray") and not coincidence(run, t) and "degraded" not in name:
                        print(f"   missed {kind} seed {seed} {t.time_s:.2f} {t.station}")
            excused += result.excused
            swapped += result.swapped
            hopeless += sum(t.hopeless for t in run.truth)
            odds = [f.odds for f in ledger.findings if f.kind == "stuck"]
            lowest = min([lowest, *odds])
        print(f"{name}: {seeds} h, slowest {slowest:.1f} s of one core")
        for kind in ("stuck", "stray", "held_up", "unheard"):
            print(
                f"   {kind:8} named {found[kind]:5} not named {missed[kind]:4} (coincidences {chance[kind]}) "
                f"false {false[kind]}"
            )
        print(
            f"   missed at the last station {hopeless}, of these called stuck {excused}; "
            f"held up or unheard called stuck {swapped}",
            flush=True,
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10)
