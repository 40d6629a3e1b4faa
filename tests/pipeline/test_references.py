"""Reference drops through a whole campaign: takes put together from the demo's recordings, with known truth."""

from __future__ import annotations

import csv
import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
sys.path.insert(0, str(Path(__file__).parents[1] / "compare"))
import test_reference as drawn
from reference_riding import limited

from noisecheck.bench.runsheet import Run
from noisecheck.cli import main
from noisecheck.core.errors import InputError
from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts
from noisecheck.pipeline.references import mark_references, references_of, stated_drops
from noisecheck.simulate import parse_scene
from noisecheck.simulate.render import render_run

DEMO = Path(__file__).parents[2] / "recordings"
GAIN_DB = -6.0


def _read(name: str) -> Any:
    return soundfile.read(DEMO / f"{name}.flac", always_2d=True)[0]


def _truth(name: str) -> np.ndarray:
    """True L_AE of first contacts at the reference target."""
    with (DEMO / "truth" / f"{name}.impacts.csv").open() as file:
        rows = [r for r in csv.DictReader(file) if r["place"] == "reference" and r["rebound"] == "0"]
    return np.array([float(r["lae_db"]) for r in rows])


def _joined(parts: list[np.ndarray], over: int) -> np.ndarray:
    """Lay parts one after the other, faded into each other so that no join clicks."""
    up = np.sin(np.linspace(0, np.pi / 2, over))[:, None]
    x = parts[0].copy()
    for part in parts[1:]:
        x[-over:] = x[-over:] * up[::-1] + part[:over] * up
        x = np.concatenate([x, part[over:]])
    return x


def _compare(folder: Path, capsys: pytest.CaptureFixture[str]) -> tuple[dict[str, Any], list[str]]:
    document = _json(capsys, "compare", str(folder), "--by", "treatment", "--station", "landing")
    return next(d for d in document["differences"] if d["measure"] == "lae_db"), document["warnings"]


@pytest.fixture(scope="module")
def takes(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Bare on day 1, felt on day 2 with 6 dB less gain; each take begins and ends with reference drops."""
    if not (DEMO / "reference-1.flac").exists():
        pytest.skip("the demo campaign is not here")
    folder = tmp_path_factory.mktemp("takes")
    background, rate = soundfile.read(DEMO / "background.flac", always_2d=True)
    rows = []
    for number, (treatment, body, day, gain) in enumerate(
        [("bare", "bare-60-1", 1, 0.0), ("bare", "bare-60-2", 1, 0.0),
         ("felt", "felt-60-1", 2, GAIN_DB), ("felt", "felt-60-2", 2, GAIN_DB)]
    ):  # fmt: skip
        drops = _read("reference-1")
        half = len(drops) // 2
        pause = background[number * rate :][: 3 * rate]
        x = _joined([background[: 2 * rate], drops[:half], pause, _read(body), pause, drops[half:],
                     background[rate : 3 * rate]], rate // 10)  # fmt: skip
        soundfile.write(folder / f"{treatment}{number}.flac", x * 10 ** (gain / 20), rate, subtype="PCM_24")
        rows.append(f"{treatment}{number},{treatment}{number}.flac,A,{treatment},60,day {day},17,test\n")
    head = "run,file,revision,treatment,drop_height_mm,session,balls_fed,role\n"
    (folder / "runs.csv").write_text(head + "".join(rows))
    (folder / "rig.toml").write_text((DEMO / "rig.toml").read_text())
    return folder


def _json(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    main([*arguments, "--json"])
    document: dict[str, Any] = json.loads(capsys.readouterr().out)
    return document


def test_health_finds_them_and_gives_the_drift(takes: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = [str(takes / f"{n}.flac") for n in ("bare0", "bare1", "felt2", "felt3")]
    told = _json(capsys, "health", *files)["reference_drops"]
    assert told["drops"] == 4 * len(_truth("reference-1"))
    assert len(told["found_in"]) == 4
    true = _truth("reference-1")
    for drift in told["drifts"]:
        assert drift["drops"] == [4, 2]
        assert drift["change_db"] == pytest.approx(true[4:].mean() - true[:4].mean(), abs=0.1)
        assert not drift["moved"]


def test_sessions_are_tied_and_the_machines_numbers_stay_clean(
    takes: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found, warnings = _compare(takes, capsys)
    assert "the sessions are tied by their reference drops" in found["warnings"]
    assert any("the reference drop drifted by" in w for w in warnings)
    # the same bodies, without reference drops and all with one gain, must differ by as much
    rows = []
    for treatment, body in (("bare", "bare-60-1"), ("bare", "bare-60-2"), ("felt", "felt-60-1"), ("felt", "felt-60-2")):
        (tmp_path / f"{body}.flac").write_bytes((DEMO / f"{body}.flac").read_bytes())
        rows.append(f"{body},{body}.flac,{treatment},60,a\n")
    (tmp_path / "runs.csv").write_text("run,file,treatment,drop_height_mm,session\n" + "".join(rows))
    (tmp_path / "rig.toml").write_text((DEMO / "rig.toml").read_text())
    plain, _ = _compare(tmp_path, capsys)
    # (to a third of the standard error: contacts that count may differ by a few)
    assert found["difference_db"] == pytest.approx(plain["difference_db"], abs=plain["standard_error_db"] / 3)
    # the drops' own scatter makes the interval wider, not narrower
    assert found["standard_error_db"] >= 0.9 * plain["standard_error_db"]


def test_no_ball_is_lost_or_made_of_reference_drops(takes: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with_drops = {r["run"][:-1]: r for r in _json(capsys, "ledger", str(takes))["runs"]}
    assert [r["fed"] for r in with_drops.values()] == [17, 17]
    for run in with_drops.values():
        assert not [f for f in run["findings"] if f["time_s"] < 6.0 or f["time_s"] > 31.0]


def test_impacts_carry_the_flag_and_no_station(takes: Path, capsys: pytest.CaptureFixture[str]) -> None:
    document = _json(capsys, "measure", str(takes / "bare0.flac"), "--rig", str(takes / "rig.toml"))
    flagged = [i for i in document["impacts"] if "reference" in i["flags"].split(";")]
    assert len(flagged) == 2 * len(_truth("reference-1"))
    assert {i["station"] for i in flagged} == {""}
    assert sum(i["rebound"] == 0 for i in flagged) == len(_truth("reference-1"))


def _hard_ball(folder: Path, *, limit_db: float | None) -> list[Path]:
    """Two takes: four drops with four rebounds on a tile, the demo's run, four drops; through a peak limiter or not."""
    body, rate = soundfile.read(DEMO / "bare-60-1.flac", always_2d=True)
    background = soundfile.read(DEMO / "background.flac", always_2d=True)[0]
    tile = {"name": "tile", "position_mm": [0, 0, 0], "target": True, "surface": "glass", "drop_height_mm": 150,
            "rebounds": 4, "plate": {"loss_factor": 0.05, "thickness_mm": 9.0, "material": "glass"}}  # fmt: skip
    made = []
    for number in range(2):
        scene = parse_scene({
            "scene": {"rate_hz": rate, "seed": number}, "station": [tile], "run": [{"run": "a"}],
            "microphone": [{"channel": 0, "position_mm": [0, 250, 150]}],
            "feed": {"period_s": 1.5, "balls": 8, "first_s": 1.0},
        })  # fmt: skip
        sound = render_run(scene, scene.runs()[0])[0][:, :1]
        sound = 2.0 * np.abs(body[:, :1]).max() * sound / np.abs(sound).max()
        cut = round(6.6 * rate)
        drops = [sound[:cut], sound[cut : 2 * cut]]
        drops = [d + background[rate * k : rate * k + len(d), :1] for k, d in enumerate(drops)]
        pause = background[number * rate :][: 3 * rate, :1]
        x = _joined([background[: 2 * rate, :1], drops[0], pause, body[:, :1], pause, drops[1], pause], rate // 10)
        x *= 0.5 / np.abs(x).max()
        if limit_db is not None:
            x = limited(x, 20 * np.log10(0.5) - limit_db, 0.03)
        made.append(folder / f"take{number}.wav")
        soundfile.write(made[-1], x, rate, subtype="PCM_24")
    return made


def test_a_limiter_is_told_by_rebounds_and_its_levels_are_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A limiter that is back within 30 ms leaves the floor alone; equal drops show it all the same."""
    if not (DEMO / "bare-60-1.flac").exists():
        pytest.skip("the demo campaign is not here")
    for limit_db, verdict in ((8.0, "not usable"), (None, "usable")):
        takes = _hard_ball(tmp_path, limit_db=limit_db)
        document = _json(capsys, "health", *map(str, takes))
        # What is told by drops whose levels are not to be used is only that.
        assert document["reference_drops"]["drops"] == (16 if limit_db is None else 0)
        for told in document["recordings"]:
            assert not told["gain_riding"]["found"]
            assert told["good_for"]["levels"]["verdict"] == verdict
            assert told["good_for"]["counts"]["verdict"] == "usable"
            reasons = " ".join(told["good_for"]["levels"]["reasons"])
            assert ("gain riding: at " in reasons) == (limit_db is not None)
        (tmp_path / "runs.csv").write_text("run,file,treatment\none,take0.wav,bare\ntwo,take1.wav,felt\n")
        main(["compare", str(tmp_path), "--by", "treatment", "--json"])
        told = json.loads(capsys.readouterr().out)
        differences = [d for d in told["differences"] if d["measure"] == "lae_db"]
        if limit_db is not None:
            assert {d["verdict"] for d in differences} <= {"not comparable"}
            assert any("gain riding" in w for w in told["warnings"])
        else:
            assert not any("gain riding" in w for w in told["warnings"])


def test_a_wrong_drop_height_is_said(takes: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("bare-60-1", "felt-60-1"):
        (tmp_path / f"{name}.flac").write_bytes((DEMO / f"{name}.flac").read_bytes())
    (tmp_path / "rig.toml").write_text((DEMO / "rig.toml").read_text())
    head = "run,file,treatment,drop_height_mm,session,balls_fed\n"
    (tmp_path / "runs.csv").write_text(head + "one,bare-60-1.flac,bare,120,a,17\ntwo,felt-60-1.flac,felt,120,a,17\n")
    for document in (
        _json(capsys, "compare", str(tmp_path), "--by", "treatment")["warnings"],
        _json(capsys, "ledger", str(tmp_path))["notes"],
    ):
        said = [w for w in document if "drop height" in w]
        assert len(said) == 1
        assert said[0].startswith("run one: the run sheet states a drop height of 120 mm, but ")
    right = (tmp_path / "runs.csv").read_text().replace(",120,", ",60,")
    (tmp_path / "runs.csv").write_text(right)
    warnings = _json(capsys, "compare", str(tmp_path), "--by", "treatment")["warnings"]
    assert not [w for w in warnings if "drop height" in w]


def _starts_only(stated: str = "") -> list[tuple[Run, Impacts, float]]:
    """Two takes with three drops on a tile at the start only: alike, unlike the machine, too few ends to be sure."""
    rng = np.random.default_rng(3)
    tile = rng.normal(0, 4, 30)
    takes = [drawn.take((0.0, drawn.drops(rng, tile, 3)), (5.0, drawn.machine(rng, 10))) for _ in range(2)]
    extra = {"reference_drops": stated} if stated else {}
    return [
        (Run(f"take-{n}", (), extra=extra, line=n + 2), t.with_columns(run=f"take-{n}"), s)
        for n, (t, s) in enumerate(takes)
    ]


def test_ends_that_stay_open_are_said_with_what_to_write() -> None:
    runs = _starts_only()
    marked = mark_references(runs)
    assert not any(t.flagged(Flag.REFERENCE).any() for t, _ in marked)
    told = references_of([(r, *take) for (r, _, _), take in zip(runs, marked, strict=True)], ())
    assert told.alarms == told.sentences == told.doubts
    (said,) = told.doubts
    assert said.startswith(
        "run take-0: the first 3 drops stand 5 s apart from the rest and may be reference drops (and so"
    )
    assert "column reference_drops, 3+0 (at the start + at the end) if they are, 0 if not" in said
    assert told.to_dict()["doubts"] == [said]


@pytest.mark.parametrize(("stated", "drops"), [("3+0", 3), ("0", 0)])
def test_what_the_run_sheet_states_of_reference_drops_stands(stated: str, drops: int) -> None:
    runs = _starts_only(stated)
    marked = mark_references(runs)
    for table, _ in marked:
        own = table.flagged(Flag.REFERENCE)
        assert (own.sum(), (own & (table["rebound"] == 0)).sum()) == (2 * drops, drops)
    assert references_of([(r, *take) for (r, _, _), take in zip(runs, marked, strict=True)], ()).doubts == ()


def test_stated_drops_that_are_not_heard_are_said() -> None:
    runs = _starts_only("4+0")
    marked = mark_references(runs)
    told = references_of([(r, *take) for (r, _, _), take in zip(runs, marked, strict=True)], ())
    assert told.doubts[0].startswith("run take-0: reference_drops states 4 at the start, but no silence")


def test_a_number_of_reference_drops_that_is_none_is_refused() -> None:
    assert [stated_drops(Run("a", (), extra={"reference_drops": t})) for t in ("", "0", "3", " 3 + 2 ")] == [
        None, (0, 0), (3, 3), (3, 2)
    ]  # fmt: skip
    for text in ("three", "-1", "3/2", "3+", "1.5"):
        with pytest.raises(InputError, match=r"line 7, column 'reference_drops': '.+' is no number of reference drops"):
            stated_drops(Run("a", (), extra={"reference_drops": text}, line=7))
