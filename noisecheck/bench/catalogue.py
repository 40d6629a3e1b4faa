"""What was measured, kept under ``results/`` of a campaign so that it is measured once.

An entry is found by a key made of the content of the recordings (SHA-256 of their bytes), the settings and the code
that measures; names, places and dates do not enter, so a campaign may be moved, copied or checked out anew. Entries
only ever appear whole (see :mod:`noisecheck.core.files`): two processes may measure the same campaign at once and
end with the same files, and there is no lock to be left behind. Everything here is safe to delete.

Hashing a long recording takes seconds, so its digest is remembered with the file's size, times of change (``mtime``
and, which no program can set, ``ctime``) and inode. A digest is only remembered when the file had then rested for
longer than the clock of any file system is coarse; a file that changed in any of these is hashed again.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import time
from collections.abc import Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from noisecheck.bench.columns import Damaged, Stored, read_columns, write_columns
from noisecheck.core.files import TEMPORARY, fingerprint, replaced
from noisecheck.core.records import record

__all__ = ["Catalogue", "Key", "Standing", "code_digest"]

_FORMAT: Final = 1
_REST_S: Final = 3.0
"""A file must have rested so long to be known by its times (FAT counts in steps of 2 s)."""
_DEAD_S: Final = 3600.0
_ABANDONED_S: Final = 14 * 86_400.0
_FIGURES: Final = 100
"""Figures kept that took a while to work out, the last ones."""
_KEPT: Final = 4
"""Entries kept of one run: measured with other settings, or of an earlier recording."""
_KEY_DIGITS: Final = 32
_ENTRY: Final = re.compile(r"[^/]*\.[0-9a-f]{32}\.npz")
_PART: Final = re.compile(r"\d+-\d+\.npz")


@record
class Key:
    """What an entry is found by, and of what it is made."""

    run: str
    recordings: tuple[str, ...]
    """Digest of each file, in order."""
    settings: str
    """Digest of everything else that can change a number."""
    code: str
    """Digest of the code that measures."""

    @property
    def text(self) -> str:
        """Return the key as 32 hexadecimal digits (the run's name is no part of it)."""
        return _digest([_FORMAT, self.recordings, self.settings, self.code])[:_KEY_DIGITS]

    @property
    def file(self) -> str:
        """Return the name of the entry's file."""
        return f"{_plain_name(self.run)}.{self.text}.npz"


@record
class Standing:
    """Whether a run's results are up to date."""

    run: str
    state: str
    """``kept`` (up to date), ``stale`` (measured, but something changed since), ``damaged`` or ``new``."""
    why: str = ""

    @property
    def sentence(self) -> str:
        """Return what the user should know, in one sentence."""
        return {
            "kept": f"run {self.run}: results are up to date",
            "stale": f"run {self.run}: results are stale ({self.why}); measured again",
            "damaged": f"run {self.run}: its kept results are damaged; measured again",
            "new": f"run {self.run}: not measured yet",
        }[self.state]


def _digest(value: Any) -> str:
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def _plain_name(run: str) -> str:
    """Return a run's name as it can stand in a file name; different runs never share one."""
    plain = re.sub(r"[^A-Za-z0-9_-]+", "-", run)[:60].strip("-")
    return plain if plain == run else f"{plain}-{hashlib.sha256(run.encode()).hexdigest()[:8]}"


@lru_cache(maxsize=8)
def code_digest(*folders: str) -> str:
    """Return a digest of the package's own source in the folders (or modules) named, as ``detect``.

    Results are measured again when the code that makes them is another; nobody has to remember to count a version up.
    """
    root = Path(__file__).parent.parent
    whole = hashlib.sha256()
    for folder in folders:
        place = root / folder
        for path in sorted(place.rglob("*.py")) if place.is_dir() else [place.with_suffix(".py")]:
            whole.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return whole.hexdigest()[:_KEY_DIGITS]


class Catalogue:
    """The results kept in one campaign folder."""

    def __init__(self, campaign: Path) -> None:
        """Look at ``campaign/results``; nothing is written yet."""
        self.campaign = campaign
        self.folder = campaign / "results"
        self._stamps = self.folder / "recordings.json"
        self._figures = self.folder / "figures.json"

    def key(self, run: str, recordings: Sequence[Path], settings: Any, *, code: str) -> Key:
        """Return the key of a run's results.

        Args:
            run: its name.
            recordings: its files, in order.
            settings: plain values (what ``json`` takes): everything besides the recordings that can change a number.
            code: from :func:`code_digest`.
        """
        return Key(run, tuple(self.recording_digest(p) for p in recordings), _digest(settings), code)

    def load(self, key: Key) -> Stored | None:
        """Return what is kept under a key (of whichever run of the same content), None where there is nothing sound."""
        for path in [self.folder / key.file, *sorted(self.folder.glob(f"*.{key.text}.npz"))]:
            try:
                stored = read_columns(path)
            except (OSError, Damaged):
                continue
            if stored.document.get("key") == key.text:
                return stored
        return None

    def store(self, key: Key, columns: Mapping[str, Any], document: Mapping[str, Any]) -> None:
        """Keep results; on return they are on the disk for good.

        Args:
            key: from :meth:`key`.
            columns: arrays or :class:`~noisecheck.bench.columns.Stream` by name.
            document: what else there is to say, as ``json`` takes it.
        """
        parts = {"recordings": list(key.recordings), "settings": key.settings, "code": key.code}
        whole = {**document, "key": key.text, "made_of": parts, "run": key.run}
        write_columns(self.folder / key.file, columns, whole)
        self._tidy(key)

    def standing(self, key: Key) -> Standing:
        """Return whether results under the key are kept, and if not, what changed since those that are."""
        if self.load(key) is not None:
            return Standing(key.run, "kept")
        if (self.folder / key.file).exists():
            return Standing(key.run, "damaged")
        reasons: list[list[str]] = []
        for path in self._entries(key.run):
            try:
                made_of = read_columns(path, ()).document["made_of"]
                old = Key(key.run, tuple(made_of["recordings"]), made_of["settings"], made_of["code"])
            except (OSError, Damaged, KeyError, TypeError):
                continue
            what = {
                "the recording changed": old.recordings != key.recordings,
                "the settings changed": old.settings != key.settings,
                "this version measures differently": old.code != key.code,
            }
            reasons.append([reason for reason, changed in what.items() if changed])
        if not reasons:
            return Standing(key.run, "new")
        nearest = min(reasons, key=lambda r: len(r))
        return Standing(key.run, "stale", " and ".join(nearest))

    def figure(self, key: Key) -> dict[str, Any] | None:
        """Return a figure that was kept under a key, None where there is none."""
        found = _read(self._figures).get(key.text)
        return found if isinstance(found, dict) else None

    def keep_figure(self, key: Key, figure: Mapping[str, Any]) -> None:
        """Keep a figure, as ``json`` takes it, where the campaign can be written."""
        known = _read(self._figures)
        known.pop(key.text, None)
        _write(self._figures, {**dict(list(known.items())[1 - _FIGURES :]), key.text: dict(figure)})

    def unfinished(self, key: Key) -> Path:
        """Return the folder in which pieces of a run's measurement are kept until all of it is done."""
        return self.folder / "unfinished" / key.text

    def remembers(self, recordings: Sequence[Path]) -> bool:
        """Return whether the digest of every one of these recordings is known without reading it."""
        return all(self._known(p, _stamp(p)) is not None for p in recordings)

    def recording_digest(self, path: Path) -> str:
        """Return the digest of a recording, remembered from last time if the file has not been touched since."""
        before = _stamp(path)
        known = self._known(path, before)
        if known is not None:
            return known
        hashed_at = time.time()
        digest = fingerprint(path)
        status = path.stat()
        rested = hashed_at - max(status.st_mtime, status.st_ctime) > _REST_S
        if before is not None and rested and _stamp(path) == before:
            self._remember(self._name(path), {"stamp": before, "digest": digest})
        return digest

    def _name(self, path: Path) -> str:
        return os.path.relpath(path, self.campaign).replace(os.sep, "/")

    def _known(self, path: Path, stamp: list[int] | None) -> str | None:
        known = _read(self._stamps).get(self._name(path))
        if isinstance(known, dict) and stamp is not None and known.get("stamp") == stamp:
            return str(known["digest"])
        return None

    def _remember(self, name: str, entry: dict[str, Any]) -> None:
        _write(self._stamps, {**_read(self._stamps), name: entry})

    def _entries(self, run: str) -> list[Path]:
        """Return the entries of a run, newest first."""
        found = [p for p in self.folder.glob(f"{_plain_name(run)}.*.npz") if _ENTRY.fullmatch(p.name)]
        return sorted(found, key=_age)

    def _tidy(self, key: Key) -> None:
        """Remove what no longer serves: pieces of what is now whole, old entries of the run, what a crash left over."""
        for path in self._entries(key.run)[_KEPT:]:
            _remove(path)
        self.finish(key)
        for path in self.folder.glob(f".*{TEMPORARY}"):
            if _age(path) > _DEAD_S:
                _remove(path)
        for folder in self.folder.glob("unfinished/*"):
            if min(map(_age, [folder, *folder.glob("*")])) > _ABANDONED_S:
                _forget(folder)

    def finish(self, key: Key) -> None:
        """Remove the pieces of a run that is kept whole."""
        _forget(self.unfinished(key))


def _read(path: Path) -> dict[str, Any]:
    """Return what a file of names and values holds, nothing where it cannot be read."""
    try:
        found = json.loads(path.read_text(encoding="utf-8")) if path.is_file() else {}
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def _write(path: Path, known: Mapping[str, Any]) -> None:
    # A campaign that cannot be written is measured all the same.
    with contextlib.suppress(OSError), replaced(path) as file:
        file.write(json.dumps(known, indent=0).encode())


def _forget(folder: Path) -> None:
    """Remove the pieces in a folder of unfinished work, and the folders that are empty then."""
    for path in folder.glob("*"):
        if _PART.fullmatch(path.name) or path.name.endswith(TEMPORARY):
            _remove(path)
    for empty in (folder, folder.parent):
        try:
            empty.rmdir()
        except OSError:
            return


def _stamp(path: Path) -> list[int] | None:
    try:
        status = path.stat()
    except OSError:
        return None
    return [status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino]


def _age(path: Path) -> float:
    try:
        return time.time() - path.stat().st_mtime
    except OSError:
        return float("inf")


def _remove(path: Path) -> None:
    with contextlib.suppress(OSError):  # in use by another process (Windows), or not ours to remove: it does no harm
        path.unlink(missing_ok=True)
