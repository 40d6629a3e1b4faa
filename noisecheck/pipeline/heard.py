"""What share of events listening hears in a campaign: by copies put back, and by the stations' own agreement."""

from __future__ import annotations

import contextlib
import functools
import hashlib
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.split import join_recordings
from noisecheck.core.errors import InputError
from noisecheck.core.flags import NO_DROP
from noisecheck.core.table import Impacts
from noisecheck.flow.failures import HeardShare, heard_share_of_links
from noisecheck.flow.findings import Ledger
from noisecheck.pipeline.kept import MEASURES
from noisecheck.pipeline.limit import detection_limit
from noisecheck.pipeline.listen import Heard, ListenSettings
from noisecheck.pipeline.plain import plain, rebuilt

if TYPE_CHECKING:
    from noisecheck.bench.catalogue import Catalogue
    from noisecheck.pipeline.run import RunResult

__all__ = ["heard_share"]

_TRIES: Final = tuple(f"pipeline/{name}" for name in ("heard", "hearing", "limit", "copies", "cleaned"))
"""The code that tries copies, besides what listens."""


def heard_share(
    results: Sequence[RunResult], ledgers: Sequence[Ledger], catalogue: Catalogue | None = None
) -> HeardShare | None:
    """Return the share of events heard in the runs (among ``results``) of some ledgers: the lower of two estimates.

    One is from the detection limit of the run with most impacts, its own impacts put back into its own background;
    the other from balls that later stations heard and an earlier one missed, which flatters. None where neither can
    be had. The first takes seconds and is kept in the ``catalogue``, if there is one.
    """
    names = {ledger.run for ledger in ledgers}
    runs = [r for r in results if r.run.name in names and len(r.onsets) == len(r.impacts)]
    found = [heard_share_of_links(ledgers)]
    if runs:
        found.append(_by_copies(max(runs, key=lambda r: len(r.impacts)), catalogue))
    return min((f for f in found if f is not None), key=lambda f: f.lower, default=None)


def _by_copies(run: RunResult, catalogue: Catalogue | None) -> HeardShare | None:
    """Return the share from copies of a run's impacts put back; None where it cannot be tried."""
    counted = _contacts(run.impacts)
    if catalogue is None:
        return _tried(run, counted)
    from noisecheck.bench.catalogue import code_digest

    made_of = [f"{run.run.name} {run.rate}", *(_digest(run.impacts[n]) for n in ("frame", "lae_db", "margin_db")),
               *(_digest(getattr(run.onsets, n)) for n in ("frame", "arrival")), _digest(counted)]  # fmt: skip
    key = catalogue.key(run.run.name, run.paths, made_of, code=code_digest(*MEASURES, *_TRIES))
    kept = catalogue.figure(key)
    if kept is not None:
        with contextlib.suppress(KeyError, TypeError, ValueError, InputError):
            found: HeardShare | None = rebuilt(HeardShare | None, kept["share"])
            return found
    share = _tried(run, counted)
    catalogue.keep_figure(key, {"share": plain(share)})
    return share


def _digest(values: NDArray[np.generic]) -> str:
    return hashlib.sha256(np.ascontiguousarray(values).tobytes()).hexdigest()


def _tried(run: RunResult, counted: NDArray[np.bool_]) -> HeardShare | None:
    missing_s = sum(stop - start for start, stop in run.gaps_s)  # counted in the run, not in its recording
    frames = round((run.seconds - missing_s) * run.rate)
    heard = Heard(run.onsets, run.impacts, run.rate, frames, run.channels, np.empty((0, 2), np.int64),
                  coded=run.coded)  # fmt: skip
    try:
        opened = functools.partial(join_recordings, run.paths)
        limit = detection_limit(opened, heard, settings=ListenSettings(), counted=counted)
    except InputError:
        return None
    share = limit.heard_fraction
    if not math.isfinite(share) or not limit.found:
        return None
    how = f"{limit.n:,} copies of own impacts put back into run {run.run.name}, down to levels at which none is found"
    return HeardShare(share, limit.heard_low, how)


def _contacts(impacts: Impacts) -> NDArray[np.bool_]:
    """Return which impacts are first contacts of balls: how many of those are heard is what failures hang on."""
    first = (impacts["rebound"] <= 0) & ~impacts.flagged(NO_DROP)
    placed = impacts.data["station"] != 0
    return np.asarray(first & placed if placed.any() else first)
