"""What placing costs beside measuring, in CPU time. Run: python tests/benchmarks/placing_cost.py [seconds].

By arrival times at 3, 4 and 5 microphones, by a microphone a station, and by taught sounds: the whole of
``noisecheck measure`` with and without what places (positions, stations of microphones, taps) in ``rig.toml``, and
the share of placing alone beside that of measuring alone (:func:`measure_impacts`).
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from placing import ARRAYS, NAMES, NEAR, PLACES, RATE, scene

import noisecheck.pipeline.campaign
import noisecheck.pipeline.tiles
from noisecheck.pipeline.files import measure_files
from noisecheck.pipeline.listen import ListenSettings
from noisecheck.simulate import render_run


class Spent:
    """CPU time spent in one function, counted while it is put in the place of the one in a module."""

    def __init__(self, module: Any, name: str) -> None:
        self.seconds, self._plain = 0.0, getattr(module, name)
        setattr(module, name, self)
        self.take_out: Callable[[], None] = lambda: setattr(module, name, self._plain)

    def __call__(self, *given: Any, **named: Any) -> Any:
        start = time.process_time()
        try:
            return self._plain(*given, **named)
        finally:
            self.seconds += time.process_time() - start


def toml(microphones: list[dict[str, Any]], *, placed: bool) -> str:
    """Return a rig file, with or without positions of its stations."""
    text = "".join("[[microphone]]\n" + "".join(f"{k} = {v!r}\n" for k, v in m.items()) for m in microphones)
    for p in PLACES:
        text += f'[[station]]\nname = "{p["name"]}"\n'
        text += f"position_mm = {[float(v) for v in p['position_mm']]}\n" if placed else ""
    return text


def once(file: Path, rig: Path) -> tuple[float, float, float, int]:
    """Return CPU seconds of (everything, measuring, placing) and the number of impacts."""
    measuring = Spent(noisecheck.pipeline.tiles, "measure_impacts")
    placing = Spent(noisecheck.pipeline.campaign, "placed")
    start = time.process_time()
    try:
        made = measure_files([file], settings=ListenSettings(), rig_path=rig)
    finally:
        measuring.take_out()
        placing.take_out()
    return time.process_time() - start, measuring.seconds, placing.seconds, len(made.runs[0].impacts)


def compared(title: str, file: Path, plain: Path, placed: Path, repeats: int = 3) -> None:
    once(file, placed)  # imports, caches
    without = min(once(file, plain)[0] for _ in range(repeats))
    total, measuring, placing, n = min(once(file, placed) for _ in range(repeats))
    print(
        f"{title}: {n} impacts; whole command {without:.2f} s without, {total:.2f} s with places "
        f"({100 * (total / without - 1):+.1f} %); measuring {1e6 * measuring / n:.0f} us an impact, placing "
        f"{1e6 * placing / n:.0f} us an impact: {100 * placing / measuring:.1f} % of measuring"
    )


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 240.0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)

        def wrote(made: Any, file: str) -> Path:
            x, _ = render_run(made, made.runs()[0])
            soundfile.write(folder / file, x, RATE, subtype="PCM_24")
            return folder / file

        def rig(sub: str, text: str) -> Path:
            (folder / sub).mkdir()
            (folder / sub / "rig.toml").write_text(text)
            return folder / sub / "rig.toml"

        run = [{"run": "one", "balls": int(seconds / 1.3) - 2, "seconds": seconds}]
        for m, corners in ARRAYS.items():
            made = scene(71, -75.0, run, [{"channel": c, "position_mm": p} for c, p in enumerate(corners)], 1.3)
            file = wrote(made, f"array{m}.wav")
            with_places = [{"channel": c, "position_mm": [float(v) for v in p]} for c, p in enumerate(corners)]
            plain = rig(f"plain{m}", toml([{"channel": c} for c in range(m)], placed=False))
            compared(f"arrival times, {m} microphones", file, plain, rig(f"array{m}", toml(with_places, placed=True)))
        file = wrote(scene(72, -65.0, run, NEAR, 1.3, crosstalk_db=-12.0, rebounds=1), "near.wav")
        plain = rig("plain", toml([{"channel": c} for c in range(len(NAMES))], placed=False))
        own = rig("own", toml([{"channel": c, "station": n} for c, n in enumerate(NAMES)], placed=False))
        compared("a microphone a station", file, plain, own)
        one = [{"channel": 0, "position_mm": [450, 400, 300]}]
        taps = [{"run": f"taps-{n}", "role": "taps", "station": n, "balls": 12} for n in NAMES]
        made = scene(73, -55.0, [*taps, *run], one, 1.3)
        alone, taught = (
            rig("alone", toml([{"channel": 0}], placed=False)),
            rig("taught", toml([{"channel": 0}], placed=False)),
        )
        sheet = "run,file,station,role\n"
        for r in made.runs():
            x, _ = render_run(made, r)
            soundfile.write(taught.parent / f"{r.run}.wav", x, RATE, subtype="PCM_24")
            sheet += f"{r.run},{r.run}.wav,{r.station or ''},{r.role}\n"
        (taught.parent / "runs.csv").write_text(sheet)
        by_sound(taught.parent / "one.wav", alone, taught)


def by_sound(file: Path, alone: Path, taught: Path) -> None:
    """Print the cost of placing by sound; listening to the taps themselves is the same with and without."""
    once(file, taught)
    without = min(once(file, alone) for _ in range(3))
    total, _, placing, n = min(once(file, taught) for _ in range(3))
    teaching = Spent(noisecheck.pipeline.campaign, "taught_by")
    once(file, taught)
    teaching.take_out()
    measuring = without[1]
    print(
        f"taught sounds, 1 microphone: {n} impacts; whole command {without[0]:.2f} s without, {total:.2f} s with taps "
        f"to listen to; measuring {1e6 * measuring / n:.0f} us an impact, placing {1e6 * placing / n:.0f} us each: "
        f"{100 * placing / measuring:.1f} % of measuring; teaching {teaching.seconds:.2f} s once"
    )


if __name__ == "__main__":
    np.seterr(all="ignore")
    main()
