"""The rig of a bare recording: nothing is said of it, so what checks rig files need not be loaded.

Loading and building the models of :mod:`noisecheck.bench.rig` takes as long as listening to half a minute.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

if TYPE_CHECKING:
    from noisecheck.bench.rig import Rig

__all__ = ["no_rig"]


class _Unsaid:
    """An empty rig, or a part of it: says itself what is given here, and asks the real one for all else."""

    def __init__(self, part: str, **said: Any) -> None:
        self.__dict__.update(said, _part=part)

    def __getattr__(self, name: str) -> Any:
        if name.startswith("_"):
            raise AttributeError(name)
        from noisecheck.bench.rig import Rig

        rig = Rig()
        return getattr(getattr(rig, self._part) if self._part else rig, name)


def no_rig() -> Rig:
    """Return what ``Rig()`` says: no stations, one uncalibrated microphone assumed."""
    calibration = _Unsaid("calibration", file=None, pa_at_full_scale=None)
    nothing: dict[str, Any] = dict.fromkeys(("microphones", "stations", "station_names", "route", "requirements"), ())
    return cast("Rig", _Unsaid("", rig=_Unsaid("rig", groups={}), calibration=calibration, **nothing))
