"""Records behave as frozen dataclasses do, but for what mypy checks instead."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, replace

import pytest

from noisecheck.core.records import record


@record
class Pad:
    """A pad."""

    material: str
    thick_mm: float = 3.0
    notes: tuple[str, ...] = field(default=(), repr=False)


@dataclass(frozen=True)
class Same:
    """The same as a dataclass."""

    material: str
    thick_mm: float = 3.0
    notes: tuple[str, ...] = field(default=(), repr=False)


def test_a_record_compares_hashes_and_prints_as_a_dataclass() -> None:
    one, other = Pad("felt", notes=("thin",)), Same("felt", notes=("thin",))
    assert repr(one) == repr(other).replace("Same", "Pad")
    assert hash(one) == hash(other)
    assert one == Pad("felt", notes=("thin",))
    assert one != Pad("felt")
    assert one != other
    assert {one: 1}[Pad("felt", notes=("thin",))] == 1
    assert asdict(one) == asdict(other)
    assert replace(one, material="cork") == Pad("cork", notes=("thin",))


def test_a_record_of_what_has_no_hash_has_none() -> None:
    with pytest.raises(TypeError, match="unhashable"):
        hash(Pad("felt", notes=["thin"]))  # type: ignore[arg-type]
