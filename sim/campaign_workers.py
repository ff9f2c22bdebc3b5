"""Worker processes on this machine that stop when asked, and when the process that wanted them is gone."""

from __future__ import annotations

import multiprocessing as mp
import os
import signal
import threading
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from typing import Any

from sim.campaign import Crew

_worker: dict[str, Any] = {}


@contextmanager
def local_crew(workers: int) -> Iterator[Crew]:
    """``workers`` processes for as long as the block runs; its end waits for what they are doing."""
    context = mp.get_context("spawn")  # a fork beside a progress display's thread may hang
    stop = context.Event()
    with ProcessPoolExecutor(workers, context, _begin, (stop,)) as pool:
        yield Crew(pool, stop.set)


def stop_asked() -> bool:
    """Whether the work in this process is no longer wanted; never so on workers that are not ours."""
    return bool(_worker) and bool(_worker["stop"].is_set())


def _begin(stop: Any) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent hears Ctrl-C and asks through ``stop``
    _worker["stop"] = stop
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """A worker holds both ends of its queue, so it would wait for ever for a parent that was killed."""
    parent = mp.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
