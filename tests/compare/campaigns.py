"""Simulated campaigns at table level: run summaries and impact tables with known differences between treatments."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from noisecheck.bench.runsheet import Run
from noisecheck.compare.summary import BANDS, QUANTITIES, RunSummary, index_of
from noisecheck.core.bands import third_octave_midbands
from noisecheck.core.table import Impacts
from noisecheck.measure.weighting import weighting_db

DECAY = index_of("decay_ms")


def spectrum() -> np.ndarray:
    """A plausible steel-on-metal spectrum: rises to 4 kHz, falls above (dB per one-third octave)."""
    f = third_octave_midbands()
    return 60.0 - 6.0 * np.abs(np.log2(f / 4000.0))


def summary_of(run: Run, levels: np.ndarray, *, n: int = 100, sd: float = 2.0, db_re: str = "full scale") -> RunSummary:
    """A run summary with the given means (37,) of ``n`` impacts each."""
    return RunSummary(
        run=run,
        station=run.station,
        impacts=n,
        used=n,
        excluded={},
        db_re=(db_re,),
        channels=(0,),
        band_limit_hz=None,
        mean=np.asarray(levels, float),
        energy=np.asarray(levels, float) + 0.115 * sd**2,
        sd=np.full(len(QUANTITIES), sd),
        n=np.full(len(QUANTITIES), n),
    )


def levels_of(lae_db: float) -> np.ndarray:
    """Means (37,) with one L_AE and everything else following it."""
    out = np.full(len(QUANTITIES), float(lae_db))
    out[DECAY], out[index_of("decay_t10_ms")], out[index_of("centroid_hz")] = np.log(100.0), np.nan, np.log(4000.0)
    return out


def simulated(
    rng: np.random.Generator,
    groups: Sequence[tuple[str, int]],
    *,
    band_change: dict[str, np.ndarray] | None = None,
    decay_ratio: dict[str, float] | None = None,
    between_sd: float = 1.0,
    within_sd: float = 2.0,
    session_sd: float = 1.0,
    sessions: int = 2,
    impacts: tuple[int, int] = (5, 60),
    band_sd: float = 0.5,
) -> list[RunSummary]:
    """Runs of each (treatment, runs), shared out over the sessions, with unequal numbers of impacts.

    Levels have session, run and impact scatter in all bands alike, and run scatter of ``band_sd`` in each band.
    """
    shift = rng.normal(0, session_sd, sessions)
    base, weights = spectrum(), weighting_db(third_octave_midbands(), "A")
    found = []
    for value, runs in groups:
        start = int(rng.integers(sessions))
        for i in range(runs):
            session = (start + i) % sessions
            n = int(rng.integers(*impacts))
            common = shift[session] + rng.normal(0, between_sd) + rng.normal(0, within_sd / np.sqrt(n))
            bands = base + common + rng.normal(0, band_sd, 30)
            change = (band_change or {}).get(value, np.zeros(30))
            out = levels_of(0.0)
            out[BANDS] = bands + change
            # the level follows the bands without their private scatter, so that its true difference is known
            out[0] = 10 * np.log10(np.sum(10 ** ((base + change + weights) / 10))) + common
            out[1:4] = out[0] + 20.0
            ratio = (decay_ratio or {}).get(value, 1.0)
            out[DECAY] = np.log(100.0 * ratio) + rng.normal(0, 0.05)
            run = Run(name=f"{value}-{i}", files=(), treatment=value, session=f"s{session}")
            found.append(summary_of(run, out, n=n, sd=within_sd))
    return found


def true_difference(change: np.ndarray) -> float:
    """L_AE difference that a change of the bands makes to :func:`spectrum`."""
    base = spectrum() + weighting_db(third_octave_midbands(), "A")
    return float(10 * np.log10(np.sum(10 ** ((base + change) / 10)) / np.sum(10 ** (base / 10))))


def impacts_of(rng: np.random.Generator, run: str, n: int, level_db: float, *, sd: float = 2.0) -> Impacts:
    """An impact table of one run: ``n`` impacts about one level."""
    lae = level_db + rng.normal(0, sd, n)
    bands = (spectrum()[None, :] - 60.0 + lae[:, None]).astype(np.float32)
    return Impacts.of(
        n, run=run, station="landing", lae_db=lae, lzpeak_db=lae + 20, lcpeak_db=lae + 19, lafmax_db=lae + 9,
        db_re="full scale", decay_ms=100.0, centroid_hz=4000.0, bands=bands, frame=np.arange(n) * 48000, channel=0,
        rebound=0,
    )  # fmt: skip
