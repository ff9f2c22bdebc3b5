"""Work that may block (a slow card, a terminal over a weak line), done beside the control loop, in order."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from contextlib import suppress

MOST = 1000
END_S = 10.0


class Aside:
    """A thread that does what it is given. It never holds up who gives: what it cannot keep up with is dropped."""

    def __init__(self, name: str) -> None:
        self._jobs: queue.Queue[Callable[[], object] | None] = queue.Queue(MOST)
        self._thread = threading.Thread(target=self._work, name=name, daemon=True)
        self._thread.start()

    def do(self, job: Callable[[], object]) -> None:
        """Have ``job`` done some time soon."""
        with suppress(queue.Full):
            self._jobs.put_nowait(job)

    @property
    def idle(self) -> bool:
        """Whether nothing waits to be done."""
        return self._jobs.empty()

    def close(self) -> None:
        """Have the rest done, and end; a thread that is stuck is left behind."""
        with suppress(queue.Full):
            self._jobs.put(None, timeout=END_S)
        self._thread.join(END_S)

    def _work(self) -> None:
        while (job := self._jobs.get()) is not None:
            with suppress(OSError):  # a full disk or a closed terminal must not end the rest
                job()
