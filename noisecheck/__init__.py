"""noisecheck: how loud each ball drop is, whether a change helped, and whether every ball arrived.

The public names are listed in ``__all__`` and loaded when first used, so importing the package is light.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from noisecheck.audio.health import check_health
    from noisecheck.audio.recording import open_recording
    from noisecheck.bench.campaign import Campaign, load_campaign
    from noisecheck.core.errors import InputError, MissingExtraError, NoisecheckError
    from noisecheck.core.table import Impacts
    from noisecheck.pipeline.account import account_for
    from noisecheck.pipeline.campaign import CampaignResult, compare_campaign, measure_campaign
    from noisecheck.pipeline.files import measure_files
    from noisecheck.pipeline.listen import ListenSettings
    from noisecheck.report.page import write_report
    from noisecheck.simulate import simulate_file

__all__ = [
    "Campaign",
    "CampaignResult",
    "Impacts",
    "InputError",
    "ListenSettings",
    "MissingExtraError",
    "NoisecheckError",
    "account_for",
    "check_health",
    "compare_campaign",
    "load_campaign",
    "measure_campaign",
    "measure_files",
    "open_recording",
    "simulate_file",
    "write_report",
]

__version__ = "0.1.0"

_HOME = {
    "Campaign": "bench.campaign",
    "CampaignResult": "pipeline.campaign",
    "Impacts": "core.table",
    "InputError": "core.errors",
    "ListenSettings": "pipeline.listen",
    "MissingExtraError": "core.errors",
    "NoisecheckError": "core.errors",
    "account_for": "pipeline.account",
    "check_health": "audio.health",
    "compare_campaign": "pipeline.campaign",
    "load_campaign": "bench.campaign",
    "measure_campaign": "pipeline.campaign",
    "measure_files": "pipeline.files",
    "open_recording": "audio.recording",
    "simulate_file": "simulate",
    "write_report": "report.page",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'noisecheck' has no attribute {name!r}")
    return getattr(import_module(f"noisecheck.{_HOME[name]}"), name)


def __dir__() -> list[str]:
    return sorted([*__all__, "__version__"])
