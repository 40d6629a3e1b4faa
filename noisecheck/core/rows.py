"""Tables whose columns are equally long arrays."""

from __future__ import annotations

from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.records import record

__all__ = ["Rows"]


@record
class Rows:
    """Rows of a table: each field of a class made of this one is a column, its first axis the rows."""

    def where(self, keep: NDArray[np.bool_] | NDArray[np.int64] | slice) -> Self:
        """Return the rows picked by mask, index or slice."""
        return type(self)(*(column[keep] for column in self._columns()))

    def copy(self) -> Self:
        """Return the same in arrays of its own."""
        return type(self)(*(column.copy() for column in self._columns()))

    def put(self, at: NDArray[np.int64], other: Self) -> None:
        """Put the rows of another in the place of some, (m,)."""
        for mine, its in zip(self._columns(), other._columns(), strict=True):
            mine[at] = its

    @classmethod
    def concat(cls, parts: list[Self]) -> Self:
        """Return the rows of all parts, at least one, one after the other."""
        return cls(*(np.concatenate(column) for column in zip(*(p._columns() for p in parts), strict=True)))

    def _columns(self) -> list[NDArray[Any]]:
        return list(vars(self).values())
