"""Results that are dataclasses as plain values for JSON, and back, without pickle."""

from __future__ import annotations

import dataclasses
import math
import types
import typing
from functools import lru_cache
from typing import Any

import numpy as np

__all__ = ["plain", "rebuilt"]


def plain(value: Any) -> Any:
    """Return a result (dataclasses, tuples, numbers, texts, arrays of numbers) as ``json`` takes it, exactly."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, np.ndarray):
        return {"dtype": value.dtype.str, "shape": list(value.shape), "values": [plain(v) for v in value.ravel()]}
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, tuple | list):
        return [plain(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return {"float": str(value)}
    if value is None or isinstance(value, bool | int | float | str):
        return value
    raise TypeError(f"{type(value).__name__} is no plain value")


@lru_cache(maxsize=64)
def _hints(kind: type) -> dict[str, Any]:
    return typing.get_type_hints(kind)


def rebuilt(kind: Any, value: Any) -> Any:
    """Return what :func:`plain` was given, where ``kind`` is its type as annotated.

    Raises:
        TypeError, KeyError, ValueError: the value is not one of that kind.
    """
    if isinstance(value, dict) and set(value) == {"float"}:
        return float(value["float"])
    if dataclasses.is_dataclass(kind) and isinstance(kind, type):
        hints = _hints(kind)
        return kind(**{f.name: rebuilt(hints[f.name], value[f.name]) for f in dataclasses.fields(kind)})
    origin, inside = typing.get_origin(kind), typing.get_args(kind)
    if origin in (types.UnionType, typing.Union):
        return None if value is None else rebuilt(next(k for k in inside if k is not type(None)), value)
    if origin is np.ndarray:
        values = [rebuilt(None, v) for v in value["values"]]
        return np.array(values, np.dtype(value["dtype"])).reshape(value["shape"])
    if origin is tuple:
        kinds = inside[:1] * len(value) if inside[-1:] == (Ellipsis,) else inside
        return tuple(rebuilt(k, v) for k, v in zip(kinds, value, strict=True))
    return float(value) if kind is float else value
