"""A Dask cluster as the workers of a campaign."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from .errors import UsageError

if TYPE_CHECKING:
    from sim.campaign import Crew

ANSWER_S = 10
NEEDS_CLUSTER = "--dask needs the cluster packages, {name} is missing: pip install 'warmheap[sim,cluster]'"


@contextmanager
def dask_crew(address: str) -> Iterator[Crew]:
    """The workers of the cluster whose scheduler is at ``address``, for as long as the block runs."""
    try:
        import distributed
    except ModuleNotFoundError as missing:
        raise UsageError(NEEDS_CLUSTER.format(name=missing.name)) from None
    from sim.campaign import Crew

    untyped: Any = distributed
    for name in ("distributed", "distributed.client", "distributed.utils"):  # each has a level of its own
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)  # what goes wrong is told in our own line
    try:
        client = untyped.Client(address, timeout=ANSWER_S, set_as_default=False)
    except (OSError, ValueError, TypeError) as wrong:
        raise UsageError(f"--dask {address}: no Dask scheduler answers there ({wrong}); is it started?") from None
    with client:
        if not client.scheduler_info()["workers"]:
            raise UsageError(f"--dask {address}: the cluster has no workers; start some with: dask worker {address}")
        executor = client.get_executor(pure=False)
        yield Crew(executor, lambda: executor.shutdown(wait=False))
