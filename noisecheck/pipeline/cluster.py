"""A campaign larger than one machine: the same calls with the workers of a dask cluster (extra ``cluster``)."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

from noisecheck.core.errors import InputError, missing_extra, one_line

__all__ = ["on_cluster"]

_WAIT_S = 10


@contextlib.contextmanager
def on_cluster(address: str) -> Iterator[None]:
    """Let everything inside the ``with`` that is called with ``workers`` other than 1 run on a dask cluster.

    Recordings must be reachable by the same path on every machine. Results are the same bits as on one machine.

    Args:
        address: of the scheduler, such as ``tcp://10.0.0.5:8786``.

    Raises:
        MissingExtraError: the ``cluster`` extra is not installed.
        InputError: no scheduler answers there.
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise missing_extra("a cluster", "cluster") from error
    import joblib

    try:
        client = Client(address, timeout=_WAIT_S)
    except (OSError, ValueError, TimeoutError) as error:
        raise InputError(f"{one_line(address)}: no dask scheduler answers there") from error
    with client, joblib.parallel_config(backend="dask"):
        yield
