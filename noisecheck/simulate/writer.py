"""Scene file to campaign folder: recordings written block by block, ``rig.toml``, ``runs.csv`` and the truth."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any, Final

from noisecheck.core.errors import InputError, one_line
from noisecheck.core.files import csv_text, write_together
from noisecheck.simulate.load import load_scene
from noisecheck.simulate.parts import Run
from noisecheck.simulate.render import RunRenderer, Samples32, run_seconds
from noisecheck.simulate.scene import Scene

__all__ = ["SUFFIX", "rig_text", "runs_text", "simulate_file", "simulate_scene", "write_blocks"]

SUFFIX: Final = {"flac": ".flac", "wav": ".wav", "rf64": ".wav", "w64": ".w64"}
_HEAD: Final = "# Made from the scene"
_COLUMNS: Final = (
    "run", "file", "revision", "treatment", "drop_height_mm", "station", "session", "recorded", "balls_fed", "role",
    "notes",
)  # fmt: skip
_PLAIN_WAV_BYTES: Final = (1 << 32) - 4096


def simulate_file(
    scene_path: str | Path, out_dir: str | Path, *, progress: Callable[[int, int, str], None] | None = None
) -> list[Path]:
    """Make the campaign of a scene file in ``out_dir`` and return the paths written (recordings first).

    ``progress(done, total, run)`` is called before each run and once at the end. Existing files of the same names are
    replaced, each only when its successor is complete.

    Raises:
        InputError: the scene cannot be used, or the folder cannot be written.
    """
    return simulate_scene(load_scene(scene_path), out_dir, progress=progress)


def simulate_scene(
    scene: Scene, out_dir: str | Path, *, progress: Callable[[int, int, str], None] | None = None
) -> list[Path]:
    """As :func:`simulate_file`, from a scene already loaded."""
    folder = Path(out_dir)
    runs = scene.runs()
    _check_sizes(scene, runs)
    _check_folder(folder)
    recordings: list[Path] = []
    tables: list[Path] = []
    try:
        (folder / "truth").mkdir(parents=True, exist_ok=True)
        for number, run in enumerate(runs):
            if progress:
                progress(number, len(runs), run.run)
            renderer = RunRenderer(scene, run)
            path = folder / f"{run.run}{SUFFIX[scene.scene.format]}"
            write_blocks(
                path, renderer.blocks(), rate=renderer.rate, channels=scene.channels,
                format=scene.scene.format, subtype=scene.scene.subtype,
            )  # fmt: skip
            recordings.append(path)
            truth = renderer.truth
            stations = [s.name for s in scene.station]
            for kind, (header, rows) in (
                ("impacts", truth.impact_rows(scene.channels)),
                ("balls", truth.ball_rows(stations)),
                ("findings", truth.finding_rows()),
            ):
                if rows or kind == "impacts":
                    tables.append(_write_text(folder / "truth" / f"{run.run}.{kind}.csv", csv_text([header, *rows])))
        tables.append(_write_text(folder / "rig.toml", rig_text(scene)))
        tables.append(_write_text(folder / "runs.csv", runs_text(scene)))
    except OSError as error:
        raise InputError(f"{one_line(folder)}: cannot be written ({error.strerror or error})") from error
    if progress:
        progress(len(runs), len(runs), "")
    return recordings + tables


def write_blocks(
    path: Path, blocks: Iterable[Samples32], *, rate: int, channels: int, format: str, subtype: str
) -> None:
    """Write blocks (frames, channels) to a recording, one after the other, beside its name and renamed when complete.

    ``format`` is flac, wav, rf64 or w64; ``subtype`` as soundfile names it. Memory holds one block.
    """
    import soundfile

    part = path.with_name(f".{path.name}.part")
    try:
        with soundfile.SoundFile(
            str(part), "w", samplerate=rate, channels=channels, format=format.upper(), subtype=subtype
        ) as file:
            for block in blocks:
                file.write(block)
        part.replace(path)
    except soundfile.SoundFileError as error:
        raise InputError(f"{one_line(path)}: cannot be written ({one_line(error)})") from error
    finally:
        part.unlink(missing_ok=True)


def _check_folder(folder: Path) -> None:
    """Refuse to write over a campaign that was recorded, not simulated."""
    rig = folder / "rig.toml"
    if rig.is_file() and not rig.read_bytes().startswith(_HEAD.encode()):
        raise InputError(f"{one_line(rig)}: belongs to a campaign that was not simulated: choose another folder")


def _check_sizes(scene: Scene, runs: Sequence[Run]) -> None:
    width = {"PCM_16": 2, "PCM_24": 3, "PCM_32": 4, "FLOAT": 4, "DOUBLE": 8}[scene.scene.subtype]
    for run in runs:
        size = run_seconds(scene, run) * scene.scene.rate_hz * scene.channels * width
        if scene.scene.format == "wav" and size > _PLAIN_WAV_BYTES:
            raise InputError(
                f"[[run]] '{run.run}': {size / 2**30:.1f} GiB do not fit in a plain WAV file: use format = \"rf64\""
            )


def runs_text(scene: Scene) -> str:
    """Return the run sheet of a scene as CSV text."""
    runs = scene.runs()
    extra = list(dict.fromkeys(key for run in runs for key in run.columns))
    rows: list[Sequence[object]] = [[*_COLUMNS, *extra]]
    for run in runs:
        feed = scene.part("feed", run)
        balls = run.balls if run.balls is not None else feed.balls
        rows.append(
            [
                run.run,
                f"{run.run}{SUFFIX[scene.scene.format]}",
                run.revision,
                run.treatment,
                f"{run.drop_height_mm:g}" if run.drop_height_mm is not None else "",
                run.station,
                run.session,
                run.recorded,
                0 if run.role == "background" else balls,
                run.role,
                run.notes,
                *(run.columns.get(key, "") for key in extra),
            ]
        )
    return csv_text(rows)


def rig_text(scene: Scene) -> str:
    """Return the rig file of a scene as TOML text: what a user would know, not what only the simulation knows."""
    head = f"{_HEAD} '{one_line(scene.scene.name)}'. Lengths in mm, masses in g, times in s."
    feed: dict[str, Any] = {"station": scene.feed.station or scene.station[0].name, "period_s": scene.feed.period_s}
    parts = [
        head,
        _table("[rig]", {"name": scene.scene.name, "temperature_c": scene.scene.temperature_c, **scene.rig}),
        _table(
            "[ball]",
            {
                "diameter_mm": scene.ball.diameter_mm,
                "mass_g": round(scene.solid_ball.mass_kg * 1e3, 4),
                "material": scene.ball.material,
            },
        ),
        *(
            _table("[[microphone]]", m.model_dump(include={"channel", "kind", "position_mm", "station"}))
            for m in scene.microphone
        ),
        *([_table("[calibration]", scene.calibration)] if scene.calibration else []),
        *(
            _table(
                "[[station]]",
                {
                    **s.model_dump(include={"name", "position_mm", "next", "transit_s"}),
                    **({"target": True} if s.target else {}),
                },
            )
            for s in scene.station
        ),
        _table("[feed]", feed),
        *([_table("[revisions]", scene.revisions)] if scene.revisions else []),
        *(_table("[[requirement]]", r) for r in scene.requirement),
    ]
    return "\n\n".join(parts) + "\n"


def _table(heading: str, values: dict[str, Any]) -> str:
    return "\n".join([heading, *(f"{_key(k)} = {_toml(v)}" for k, v in values.items() if v is not None)])


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else json.dumps(name)


def _toml(value: Any) -> str:
    """Return a value as TOML. JSON strings are TOML basic strings; the rest is written out."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(_toml(v) for v in value)}]"
    if isinstance(value, float):
        return repr(value) if math.isfinite(value) else ("nan" if math.isnan(value) else "inf" if value > 0 else "-inf")
    if isinstance(value, int):
        return str(value)
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")


def _write_text(path: Path, text: str) -> Path:
    return write_together({path: text})[0]
