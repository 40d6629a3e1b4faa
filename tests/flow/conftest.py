"""Make the folder's own helpers importable by its tests."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from noisecheck.flow.rebounds import ReboundLaw

sys.path.insert(0, str(Path(__file__).parent))

from fallmaker import train


@pytest.fixture
def law() -> ReboundLaw:
    """Return the law learnt from 300 falls with two rebounds."""
    rng = np.random.default_rng(5)
    learnt = ReboundLaw()
    learnt.learn([train(rng) for _ in range(300)])
    return learnt
