"""The loop's side of the outside world: one process of its own for status page, metrics and MQTT.

It is a process and not a thread, since a thread shares the interpreter's lock and its memory with the loop: a page that is
busy would make ticks late, one that runs out of memory would end control. This way it can hang, crash or be killed, and
control does not notice. The loop itself only leaves its latest tick here; a thread sends it on, and hears requests.
"""

from __future__ import annotations

import json
import os
import select
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any

from .desk import Answer, Desk
from .loop import Tick
from .now import as_now
from .outside_settings import OutsideSettings
from .page import UNABLE
from .settings_store import TwoCopies

NEWS_EVERY_S = 1.0
LISTEN_S = 0.25
RESTART_S, LONGEST_RESTART_S = 2.0, 300.0
UNABLE_S = 600.0  # it said why it cannot serve: a port may come free, a package be installed
STEADY_S = 600.0  # after this long it is as good as new: the next restart is quick again
LARGEST = 65536
OOM_FIRST = 700  # when memory runs out, this process goes before the loop does
NICE = 10


class Window:
    """Starts the outside process, keeps it going, and carries news out and requests in."""

    def __init__(
        self, desk: Desk, outside: OutsideSettings, state: Path, note: Callable[[str, str], None], *, simulated: bool
    ) -> None:
        self._desk, self._told = desk, note
        self._begin = {"begin": asdict(outside), "ledger": str(state / "ledger.sqlite"), "simulated": simulated}
        self._targets = TwoCopies(state, "targets")
        self._latest: tuple[Any, ...] | None = None
        self._looked_s = self._sent_s = float("-inf")
        self._process: subprocess.Popen[bytes] | None = None
        self._socket: socket.socket | None = None
        self._began_s = self._again_s = 0.0
        self._pause_s = RESTART_S
        self._repeated = ""
        self._ending = False
        self._thread = threading.Thread(target=self._work, name="window", daemon=True)
        self._thread.start()

    def tick(self, tick: Tick) -> None:
        """Leave a tick to be shown. Called from the loop; never blocks, never raises."""
        now_s = time.monotonic()
        if now_s - self._looked_s < NEWS_EVERY_S and not self._desk.answers:
            return
        self._looked_s = now_s
        controller = self._desk.controller
        self._latest = (
            tick,
            controller.settings,
            controller.alarms.summary(),
            self._desk.turns,
            controller.hand.left_s,
        )

    @property
    def pid(self) -> int | None:
        """The outside process, if it runs."""
        return self._process.pid if self._process and self._process.poll() is None else None

    def hush(self) -> None:
        """Say nothing more and end soon. Never blocks."""
        self._ending = True

    def close(self, timeout_s: float = 3.0) -> None:
        """End the outside process."""
        self.hush()
        self._thread.join(timeout_s)

    def _note(self, kind: str, text: str) -> None:
        if not self._ending:
            self._told(kind, text)

    def _work(self) -> None:
        while not self._ending:
            try:
                self._turn()
            except Exception as wrong:  # whatever happens to the page, control and this thread go on
                self._note("page", f"status page: {wrong}")
                time.sleep(RESTART_S)
        self._end()

    def _turn(self) -> None:
        self._keep_going()
        self._hear()
        self._send_answers()
        latest, self._latest = self._latest, None
        if latest is not None:
            tick, settings, unseen, turns, left_s = latest
            self._send(
                {"now": as_now(tick, settings, unseen, wall_s=time.time(), turns=turns, hand_left_s=max(0.0, left_s))}
            )

    def _keep_going(self) -> None:
        if self._process is None:
            if time.monotonic() >= self._again_s:
                self._start()
            return
        code = self._process.poll()
        if code is None:
            return
        self._end()
        if code == UNABLE:
            self._again_s = time.monotonic() + UNABLE_S
            return
        self._repeated = ""
        self._pause_s = RESTART_S if time.monotonic() - self._began_s > STEADY_S else self._pause_s
        self._again_s = time.monotonic() + self._pause_s
        self._note(
            "page", f"the status page ended ({code}); control goes on, it is tried again in {self._pause_s:.0f} s"
        )
        self._pause_s = min(2.0 * self._pause_s, LONGEST_RESTART_S)

    def _start(self) -> None:
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        ours.setblocking(False)
        with theirs:
            command = [sys.executable, "-m", "warmheap.page", str(theirs.fileno())]
            self._process = subprocess.Popen(  # noqa: S603 - our own command
                command, pass_fds=[theirs.fileno()], stdin=subprocess.DEVNULL, start_new_session=True
            )
        self._socket, self._began_s = ours, time.monotonic()
        with suppress(OSError):
            Path(f"/proc/{self._process.pid}/oom_score_adj").write_text(str(OOM_FIRST), encoding="ascii")
        with suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, self._process.pid, NICE)
        self._send(self._begin)

    def _end(self) -> None:
        if self._socket is not None:
            self._socket.close()
            self._socket = None
        if self._process is not None:
            self._process.terminate()
            try:
                self._process.wait(1.0)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait(1.0)
            self._process = None

    def _hear(self) -> None:
        if self._socket is None:
            time.sleep(LISTEN_S)
            return
        if not select.select([self._socket], [], [], LISTEN_S)[0]:
            return
        for _ in range(20):
            try:
                raw = self._socket.recv(LARGEST)
            except BlockingIOError:
                return
            except OSError:
                raw = b""
            if not raw:
                time.sleep(LISTEN_S)  # it has hung up: its exit code comes in a moment
                return
            self._take(raw)

    def _take(self, raw: bytes) -> None:
        """Take one message; what makes no sense is dropped."""
        try:
            message = json.loads(raw)
        except ValueError:
            return
        if not isinstance(message, Mapping):
            return
        if isinstance(message.get("said"), str):
            self._repeat(message["said"][:500])
        elif "do" in message:
            self._desk.requests.append(message)

    def _repeat(self, text: str) -> None:
        """Have it logged, but not the same thing again and again by processes that cannot serve."""
        if text != self._repeated:
            self._note("page", text)
        self._repeated = text

    def _send_answers(self) -> None:
        while self._desk.answers:
            answer = self._desk.answers.popleft()
            text = answer.text + self._keep(answer)
            self._send({"answer": answer.number, "done": answer.done, "text": text})

    def _keep(self, answer: Answer) -> str:
        """Write targets down; what to add to the answer when that fails."""
        if answer.keep is None:
            return ""
        try:
            if answer.keep:
                self._targets.save(json.dumps(answer.keep))
            else:
                self._targets.drop()
        except OSError as wrong:
            return f" They could not be kept ({wrong.strerror}): after a restart the settings file's own count again."
        return ""

    def _send(self, message: Mapping[str, Any]) -> None:
        """Send, or let it go when the other side does not listen."""
        if self._socket is not None:
            with suppress(OSError):
                self._socket.send(json.dumps(message, allow_nan=False, default=str).encode(), socket.MSG_NOSIGNAL)


def kept_targets(state: Path) -> Any:
    """The targets that were set on the page in an earlier run; None when there are none."""
    text = TwoCopies(state, "targets").load().text
    try:
        return None if text is None else json.loads(text)
    except ValueError:
        return None
