"""Runs listened to once: what the catalogue of a campaign keeps is used, what it lacks is measured and kept."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.health import Health, check_health
from noisecheck.audio.recording import FileRecording
from noisecheck.audio.split import Gap
from noisecheck.core.errors import one_line
from noisecheck.core.provenance import provenance
from noisecheck.core.records import record
from noisecheck.pipeline.history import note_coded
from noisecheck.pipeline.listen import Heard, ListenSettings, Progress, heard_of, listen, start_workers
from noisecheck.pipeline.parts import PartsGone
from noisecheck.pipeline.plain import plain, rebuilt

if TYPE_CHECKING:
    from noisecheck.bench.catalogue import Catalogue, Key
    from noisecheck.bench.columns import Stored

__all__ = ["MEASURES", "Listened", "catalogue_of", "key_of", "listen_once"]

MEASURES: Final = (
    *("core", "audio", "detect", "measure", "bench/columns"),
    *(f"pipeline/{name}" for name in ("tiles", "history", "decisions", "parts", "listen", "kept", "plain")),
)
"""The code whose change can change a result."""


@record
class Listened:
    """One run as heard, before it is placed."""

    heard: Heard
    health: Health | None
    gaps: tuple[Gap, ...]
    notes: tuple[str, ...]
    """What there is to say about the recording."""
    news: tuple[str, ...] = ()
    """What there is to say about the kept results this time: that they were stale, or could not be kept."""
    unkept: str = ""
    """Why they could not be kept."""


@record
class _About:
    """What is kept of a run besides columns."""

    rate: int
    frames: int
    channels: int
    calibrated: bool
    health: Health | None
    gaps: tuple[Gap, ...]
    notes: tuple[str, ...]


def catalogue_of(folder: Path) -> Catalogue | None:
    """Return the catalogue of results of a campaign folder; None for a bare recording, which keeps nothing."""
    if folder == Path() and not any((folder / n).exists() for n in ("rig.toml", "runs.csv")):
        return None
    from noisecheck.bench.catalogue import Catalogue

    return Catalogue(folder)


def key_of(
    catalogue: Catalogue,
    run: str,
    paths: Sequence[Path],
    *,
    settings: ListenSettings,
    offset_db: NDArray[np.float64] | None,
    check: bool = True,
    workers: int = 1,
) -> Key:
    """Return the key under which a run's results are kept; arguments as for :func:`listen_once`."""
    from noisecheck.bench.catalogue import code_digest

    offset = None if offset_db is None else [float(v) for v in offset_db]
    made_with = {"listen": asdict(settings), "offset_db": offset, "check": check}
    code = code_digest(*MEASURES)
    if workers == 1 or catalogue.remembers(paths):
        return catalogue.key(run, paths, made_with, code=code)
    from concurrent.futures import ThreadPoolExecutor

    # New recordings will most likely be listened to: the workers start while they are hashed.
    with ThreadPoolExecutor(1) as aside:
        key = aside.submit(catalogue.key, run, paths, made_with, code=code)
        start_workers(workers)
        return key.result()


def listen_once(
    opened: Callable[[], FileRecording],
    *,
    settings: ListenSettings,
    offset_db: NDArray[np.float64] | None = None,
    check: bool = True,
    workers: int = 1,
    progress: Progress | None = None,
    catalogue: Catalogue | None = None,
    run: str = "",
    paths: Sequence[Path] = (),
) -> Listened:
    """Find and measure every impact of a run, or return what is kept of it.

    Args:
        opened: opens the run's recording; must pickle for several workers.
        settings, offset_db, workers, progress: as for :func:`~noisecheck.pipeline.listen.listen`.
        check: also say what the recording is good for.
        catalogue: where results are kept; None keeps nothing.
        run: the run's name, by which its older results are known.
        paths: its files, in order.

    Raises:
        InputError: the recording cannot be used.
    """
    news: tuple[str, ...] = ()

    def anew(unfinished: Path | None = None) -> Listened:
        heard = listen(opened, settings=settings, offset_db=offset_db, workers=workers, progress=progress,
                       unfinished=unfinished)  # fmt: skip
        with opened() as recording:
            note_coded(recording, heard.coded)
            health = check_health(recording, onsets=heard.onsets.frame) if check else None
            gaps = tuple(g for g in getattr(recording, "gaps", ()) if g.seconds > 0)
            return Listened(heard, health, gaps, tuple(recording.notes), news)

    if catalogue is None:
        return anew()
    key = key_of(catalogue, run, paths, settings=settings, offset_db=offset_db, check=check, workers=workers)
    found = _restored(catalogue.load(key))
    if found is not None:
        if progress:
            progress(1.0)
        return found
    standing = catalogue.standing(key)
    if standing.state in ("stale", "damaged"):
        news = (standing.sentence,)
    unfinished = catalogue.unfinished(key)
    try:
        unfinished.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        return _unkept(run, anew(), error)
    try:
        done = anew(unfinished)
    except PartsGone:
        # Another process finished the same run and tidied up: what it kept is the same. If it has not kept it yet, its
        # pieces are left to it, for two that remove each other's would both keep nothing.
        found = _restored(catalogue.load(key))
        if found is not None:
            catalogue.finish(key)
            return found
        done = anew()
    except OSError as error:  # pieces cannot be written: a full disk, or one that became read-only
        return _unkept(run, anew(), error)
    about = _About(done.heard.rate, done.heard.frames, done.heard.channels, offset_db is not None, done.health,
                   done.gaps, done.notes)  # fmt: skip
    document = {"about": plain(about), "files": [p.name for p in paths], "made_with": provenance()}
    try:
        catalogue.store(key, done.heard.columns, document)
    except OSError as error:
        return _unkept(run, done, error)
    return done


def _restored(stored: Stored | None) -> Listened | None:
    """Return a run from what is kept of it; None where it is not kept or cannot be understood."""
    if stored is None:
        return None
    with contextlib.suppress(KeyError, TypeError, ValueError, AttributeError):
        about: Any = rebuilt(_About, stored.document["about"])
        heard = heard_of(stored.arrays, about.rate, about.frames, about.channels, calibrated=about.calibrated)
        return Listened(heard, about.health, about.gaps, about.notes)
    return None


def _unkept(run: str, done: Listened, error: OSError) -> Listened:
    why = one_line(error.strerror or error)
    said = f"run {run}: its results cannot be kept ({why}); it is measured each time"
    return replace(done, news=(*done.news, said), unkept=why)
