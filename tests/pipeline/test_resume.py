"""Killed, crowded, moved, damaged: what is kept is whole, is used again, and is what an undisturbed run gives."""

from __future__ import annotations

import errno
import functools
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from noisecheck.audio.health import check_health
from noisecheck.audio.recording import open_recording
from noisecheck.bench.campaign import load_campaign
from noisecheck.core.table import COLUMNS
from noisecheck.pipeline import parts
from noisecheck.pipeline.campaign import CampaignResult, measure_campaign
from noisecheck.pipeline.listen import Heard, ListenSettings, listen
from noisecheck.pipeline.plain import plain, rebuilt

LISTEN = """
import functools, sys
from pathlib import Path
import numpy as np
from noisecheck.audio.recording import open_recording
from noisecheck.pipeline import parts
from noisecheck.pipeline.listen import ListenSettings, listen
parts._TILES = int(sys.argv[3])
opened = functools.partial(open_recording, Path(sys.argv[1]))
heard = listen(opened, settings=ListenSettings(), workers=int(sys.argv[4]), unfinished=Path(sys.argv[2]))
print(len(heard.impacts))
"""

MEASURE = """
import sys
from noisecheck.bench.campaign import load_campaign
from noisecheck.pipeline import parts
from noisecheck.pipeline.campaign import measure_campaign
parts._TILES = 1
print(len(measure_campaign(load_campaign(sys.argv[1])).impacts), flush=True)
"""


def started(code: str, *arguments: object) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", code, *map(str, arguments)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def finished(process: subprocess.Popen[str]) -> int:
    out, error = process.communicate(timeout=600)
    assert process.returncode == 0, error
    return int(out)


def killed(after_s: float, code: str, *arguments: object) -> bool:
    """Start it and kill it (and its workers, as a power cut would) after some time; return whether it still ran."""
    command = [sys.executable, "-c", code, *map(str, arguments)]
    process = subprocess.Popen(
        command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=os.name != "nt"
    )
    try:
        process.wait(after_s)
        return False
    except subprocess.TimeoutExpired:
        if os.name == "nt":
            process.kill()
        else:
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        return True


WORKERS = """
import os, time
from joblib import Parallel, delayed
from noisecheck.pipeline.listen import start_workers
start_workers(2)
print(*set(Parallel(n_jobs=2)(delayed(os.getpid)() for _ in range(8))), flush=True)
time.sleep(60)
"""


@pytest.mark.skipif(not hasattr(os, "killpg"), reason="POSIX")
def test_workers_end_when_their_parent_is_killed() -> None:
    """They waited for work for five minutes more, each with its memory."""
    process = started(WORKERS)
    assert process.stdout is not None
    assert process.stderr is not None
    workers = [int(v) for v in process.stdout.readline().split()]
    assert workers
    process.kill()
    process.wait()
    process.stdout.close()
    process.stderr.close()
    end = time.monotonic() + 20.0
    while (alive := [w for w in workers if runs(w)]) and time.monotonic() < end:
        time.sleep(0.1)
    for worker in alive:
        os.kill(worker, signal.SIGKILL)
    assert not alive


def runs(process: int) -> bool:
    """Return whether a process is there and has not ended (in some containers nobody takes note of its end)."""
    try:
        os.kill(process, 0)
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except ProcessLookupError:
        return False
    except FileNotFoundError:
        return Path("/proc").is_dir() is False


@pytest.fixture(scope="module")
def whole(stereo: Path) -> Heard:
    """What is heard when nothing comes between."""
    return listen(functools.partial(open_recording, stereo), settings=ListenSettings())


def assert_same(found: Heard, whole: Heard) -> None:
    assert found.columns.keys() == whole.columns.keys()
    for name, column in whole.columns.items():
        np.testing.assert_array_equal(found.columns[name], column, err_msg=name)


@pytest.mark.parametrize("workers", [1, 2])
def test_killed_at_any_moment_ends_with_the_same(stereo: Path, whole: Heard, tmp_path: Path, workers: int) -> None:
    rng = np.random.default_rng(workers)
    kept, kills = tmp_path / "unfinished", 0
    kept.mkdir()
    for tiles in (1, 2, 3) * 2:
        kills += killed(rng.uniform(0.3, 1.3), LISTEN, stereo, kept, tiles, workers)
    assert kills > 0
    resumed = listen(functools.partial(open_recording, stereo), settings=ListenSettings(), unfinished=kept)
    assert_same(resumed, whole)


def test_going_on_from_any_tile_is_the_same(
    stereo: Path, whole: Heard, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(parts, "_TILES", 1)
    heard = functools.partial(listen, functools.partial(open_recording, stereo), settings=ListenSettings())
    kept = tmp_path / "kept"
    kept.mkdir()

    class Stop(Exception):
        pass

    for done in (1, 2, 4, 5, 6, 7):  # each goes on where the one before stopped

        def stop(share: float, done: int = done) -> None:
            if share > (done - 0.5) / 7:
                raise Stop

        with pytest.raises(Stop):
            heard(unfinished=kept, progress=stop)
        folder = shutil.copytree(kept, tmp_path / str(done))
        shares: list[float] = []
        resumed = heard(unfinished=folder, progress=shares.append)
        assert len(shares) == 7 - min(done, 6)  # the last tile is only written with the whole
        assert_same(resumed, whole)
        assert [p.name for p in folder.iterdir()] == ["0000000-0000007.npz"]


def test_damaged_pieces_are_heard_again(
    stereo: Path, whole: Heard, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(parts, "_TILES", 2)
    opened = functools.partial(open_recording, stereo)

    def stop(share: float) -> None:
        if share > 0.8:
            raise InterruptedError

    with pytest.raises(InterruptedError):
        listen(opened, settings=ListenSettings(), unfinished=tmp_path, progress=stop)
    pieces = sorted(tmp_path.iterdir())
    assert [p.name for p in pieces] == ["0000000-0000002.npz", "0000002-0000004.npz", "0000004-0000006.npz"]
    content = bytearray(pieces[1].read_bytes())
    content[5000] ^= 1
    pieces[1].write_bytes(bytes(content))
    (tmp_path / "notes.npz").write_text("not ours")
    resumed = listen(opened, settings=ListenSettings(), unfinished=tmp_path)
    assert_same(resumed, whole)
    assert (tmp_path / "notes.npz").read_text() == "not ours"


def test_pieces_that_vanish_are_told(stereo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parts, "_TILES", 1)

    def tidy(share: float) -> None:
        for path in tmp_path.glob("*.npz"):
            path.unlink()

    with pytest.raises(parts.PartsGone):
        listen(functools.partial(open_recording, stereo), settings=ListenSettings(), unfinished=tmp_path, progress=tidy)


def campaign_of(folder: Path, *recordings: Path, seconds: float | None = None) -> Path:
    """Return a folder of two recordings, or of their first seconds, and their run sheet."""
    folder.mkdir()
    for name, path in zip(("first.wav", "second.wav"), recordings, strict=True):
        if seconds is None:
            shutil.copy(path, folder / name)
            continue
        rate = soundfile.info(path).samplerate
        samples, _ = soundfile.read(path, frames=int(seconds * rate), dtype="int32")
        soundfile.write(folder / name, samples, rate, subtype="PCM_24")
    (folder / "runs.csv").write_text("run,file,treatment\nfirst,first.wav,bare\nsecond,second.wav,felt\n")
    return folder


@pytest.fixture
def campaign(tmp_path: Path, mono: Path, stereo: Path) -> Path:
    """Two tiles each: enough for what is kept of whole recordings."""
    return campaign_of(tmp_path / "clock", mono, stereo, seconds=100.0)


@pytest.fixture(scope="module")
def usual(tmp_path_factory: pytest.TempPathFactory, mono: Path, stereo: Path) -> CampaignResult:
    """What such a campaign gives where nothing comes between."""
    return measured(campaign_of(tmp_path_factory.mktemp("usual") / "clock", mono, stereo, seconds=100.0))


def measured(folder: Path) -> CampaignResult:
    return measure_campaign(load_campaign(folder))


def same(a: CampaignResult, b: CampaignResult) -> bool:
    x, y = a.impacts, b.impacts
    return all(np.array_equal(x[c.name], y[c.name], equal_nan=c.kind in ("float", "bands")) for c in COLUMNS)


def forbid(monkeypatch: pytest.MonkeyPatch) -> None:
    def listening(*_: object, **__: object) -> None:
        raise AssertionError("measured again")

    monkeypatch.setattr("noisecheck.pipeline.kept.listen", listening)
    monkeypatch.setattr("noisecheck.pipeline.kept.check_health", listening)


def entries(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in (folder / "results").glob("*.npz")}


def test_a_campaign_is_measured_once_even_when_moved(
    campaign: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = measured(campaign)
    assert not any(r.notes for r in first.runs if any("stale" in n for n in r.notes))
    shutil.copytree(campaign, tmp_path / "copied")
    campaign.rename(tmp_path / "moved")
    forbid(monkeypatch)
    for folder in ("moved", "copied"):
        again = measured(tmp_path / folder)
        assert same(first, again)
        assert [r.health.to_dict() for r in again.runs if r.health] == [
            r.health.to_dict() for r in first.runs if r.health
        ]
        assert [r.document for r in again.runs] == [r.document for r in first.runs]
    assert not (tmp_path / "moved" / "results" / "unfinished").exists()


def test_only_what_changed_is_measured_again_and_it_is_said(campaign: Path) -> None:
    before = measured(campaign)
    kept, first = entries(campaign), (campaign / "first.wav").read_bytes()
    content = bytearray(first)
    content[300_000:300_300] = bytes(300)
    (campaign / "first.wav").write_bytes(bytes(content))
    after = measured(campaign)
    notes = ["; ".join(n for n in r.notes if "stale" in n) for r in after.runs]
    assert notes == ["run first: results are stale (the recording changed); measured again", ""]
    assert len(entries(campaign)) == 3
    assert kept.items() <= entries(campaign).items()
    louder = measure_campaign(load_campaign(campaign), settings=ListenSettings(spread_s=0.02))
    assert all(any("the settings changed" in n for n in r.notes) for r in louder.runs)
    assert not any("stale" in n for r in measured(campaign).runs for n in r.notes)
    (campaign / "first.wav").write_bytes(first)
    assert same(measured(campaign), before)


def test_a_damaged_entry_is_measured_again(campaign: Path) -> None:
    first = measured(campaign)
    (entry,) = (campaign / "results").glob("first.*.npz")
    content = bytearray(entry.read_bytes())
    content[len(content) // 2] ^= 4
    entry.write_bytes(bytes(content))
    again = measured(campaign)
    assert same(first, again)
    assert any("damaged" in n for n in again.runs[0].notes)
    assert not any("damaged" in n for r in measured(campaign).runs for n in r.notes)


def test_two_processes_on_one_campaign_end_with_the_same_catalogue(campaign: Path, tmp_path: Path) -> None:
    alone = tmp_path / "alone"
    shutil.copytree(campaign, alone)
    count = finished(started(MEASURE, alone))
    both = [started(MEASURE, campaign) for _ in range(2)]
    time.sleep(0.7)
    both.append(started(MEASURE, campaign))
    assert [finished(p) for p in both] == [count] * 3
    assert entries(campaign) == entries(alone)
    left = {p.name for p in (campaign / "results").iterdir()} - {"recordings.json"}
    assert left == set(entries(alone))


def test_killed_campaigns_lose_nothing_that_was_done(tmp_path: Path, mono: Path, stereo: Path) -> None:
    campaign, alone = campaign_of(tmp_path / "clock", mono, stereo), tmp_path / "alone"
    shutil.copytree(campaign, alone)
    count = finished(started(MEASURE, alone))
    rng = np.random.default_rng(9)
    for _ in range(5):
        killed(rng.uniform(0.5, 1.8), MEASURE, campaign)
    assert finished(started(MEASURE, campaign)) == count
    assert entries(campaign) == entries(alone)
    assert not (campaign / "results" / "unfinished").exists()


@pytest.mark.skipif(os.name == "nt", reason="folders cannot be made read-only there")
def test_a_campaign_that_cannot_be_written_is_measured_all_the_same(campaign: Path, usual: CampaignResult) -> None:
    (campaign / "results").write_text("a file where the folder should be")
    result = measured(campaign)
    assert same(result, usual)
    assert all(any("cannot be kept" in n for n in r.notes) for r in result.runs)


def test_a_disk_that_is_full_half_way_does_not_keep_a_campaign_from_being_measured(
    campaign: Path, usual: CampaignResult, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: Any) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(parts, "_TILES", 1)
    monkeypatch.setattr("noisecheck.bench.columns.write_columns", full)
    result = measure_campaign(load_campaign(campaign))
    assert all(any("cannot be kept (No space left on device)" in n for n in r.notes) for r in result.runs)
    assert same(result, usual)


def test_health_survives_being_kept(stereo: Path) -> None:
    with open_recording(stereo) as recording:
        health = check_health(recording)
    again = rebuilt(type(health), plain(health))
    assert again.to_dict() == health.to_dict()
    assert plain(again) == plain(health)
    with pytest.raises(TypeError, match="set is no plain value"):
        plain({1})


def test_the_same_call_runs_on_a_dask_cluster(stereo: Path, whole: Heard, monkeypatch: pytest.MonkeyPatch) -> None:
    distributed = pytest.importorskip("distributed", reason="the cluster extra (dask) is not installed")
    from noisecheck.core.errors import InputError
    from noisecheck.pipeline.cluster import on_cluster

    opened = functools.partial(open_recording, stereo)
    with (
        distributed.LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as cluster,
        on_cluster(cluster.scheduler_address),
    ):
        there = listen(opened, settings=ListenSettings(), workers=-1)
    assert_same(there, whole)
    monkeypatch.setattr("noisecheck.pipeline.cluster._WAIT_S", 1)
    with (
        pytest.raises(InputError, match=r"^tcp://.*:9: no dask scheduler answers"),
        on_cluster("tcp://127.0.0.1:9"),
    ):
        pass
