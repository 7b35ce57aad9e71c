"""One piece of work for many things, on all cores or on a Dask cluster that is there: joblib, nothing of our own."""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, nullcontext
from typing import TypeVar
from urllib.parse import urlsplit

from models.errors import InputError

Item = TypeVar("Item")
Result = TypeVar("Result")
CONNECT_S = 5.0


def many(work: Callable[[Item], Result], items: Iterable[Item], dask: str | None = None) -> Iterator[Result]:
    """``work`` of each item, in their order, as soon as each is done.

    Parameters
    ----------
    work : a function of a module, or a partial of one; what it raises ends everything, so let it return its failures
    dask : address of a running cluster's scheduler, such as ``tcp://10.0.0.5:8786``; None: this machine's cores.
        The workers need longhold installed.

    Raises
    ------
    InputError
        The extra ``cluster`` is not installed, or nothing answers at the address.
    """
    from joblib import Parallel, delayed

    where = nullcontext() if dask is None else _cluster(dask)
    with where:
        yield from Parallel(n_jobs=-1, return_as="generator")(delayed(work)(item) for item in items)


@contextmanager
def _cluster(address: str) -> Iterator[None]:
    from joblib import parallel_config

    try:
        from distributed import Client
    except ImportError:
        raise InputError("--dask needs an extra that is not installed: pip install 'longhold[cluster]'") from None
    where = urlsplit(address if "//" in address else f"tcp://{address}")
    try:
        if not where.hostname or not where.port:
            raise ValueError("a host and a port are needed, such as tcp://10.0.0.5:8786")
        socket.create_connection((where.hostname, where.port), CONNECT_S).close()
    except (OSError, ValueError) as error:
        raise InputError(f"--dask {address}: no cluster answers there ({error})") from None
    with Client(where.geturl()), parallel_config(backend="dask"):  # type: ignore[no-untyped-call]
        yield
