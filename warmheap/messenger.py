"""Messages to the grower, by a command of theirs: alarms as they come, and a note every day that all is well.

The command is started without a shell. It gets the message on standard input, its first line being the subject, and three
words in its environment: ``WARMHEAP_KIND`` ("alarm" or "daily"), ``WARMHEAP_SEVERITY`` and ``WARMHEAP_CODES``. It has half a
minute; an exit code other than 0 means that it did not work, and it is tried again, with growing pauses, for a day.

No message is not good news: the daily note is there so that its absence is noticed.
"""

from __future__ import annotations

import os
import shlex
import signal
import subprocess
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from controller import Alarm

from .loop import Tick
from .now import known
from .outside_settings import NotifySettings
from .page.show import NONE, Units
from .settings_store import TwoCopies

SEVERITIES = ("notice", "warning", "critical")
TOGETHER_S = 5.0  # alarms that come this close go out as one message
ALLOWED_S = 30.0
RETRIES_S = (60.0, 300.0, 900.0, 3600.0, 3600.0, 14400.0, 28800.0, 28800.0)
MOST_WAITING = 20
LEAST_GAP_S = 10.0  # between two messages, whatever happens
DAY_S = 86400.0
EARLIEST_S = 12 * 3600.0  # a clock that jumps must not make a second daily note
LATEST_S = 25 * 3600.0  # nor leave one out


@dataclass(frozen=True, slots=True)
class Message:
    """One message to send, and how often that was tried."""

    kind: str
    severity: str
    codes: tuple[str, ...]
    text: str
    tries: int = 0
    due_s: float = 0.0


class Messenger:
    """Hears ticks from the loop and sends from its own thread. ``note`` hears what went wrong."""

    def __init__(
        self,
        settings: NotifySettings,
        state: Path,
        note: Callable[[str, str], None],
        *,
        wall: Callable[[], float] = time.time,
        allowed_s: float = ALLOWED_S,
        gap_s: float = LEAST_GAP_S,
        together_s: float = TOGETHER_S,
        units: Units | None = None,
    ) -> None:
        self._settings, self._note, self._wall = settings, note, wall
        self._units = units or Units()
        self._words = shlex.split(settings.command)
        self._allowed_s, self._gap_s, self._together_s = allowed_s, gap_s, together_s
        self._kept = TwoCopies(state, "notified")
        self._tick: Tick | None = None
        self._known: frozenset[str] = frozenset()
        self._fresh: deque[Alarm] = deque(maxlen=100)
        self._fresh_s = 0.0
        self._waiting: deque[Message] = deque(maxlen=MOST_WAITING)
        self._daily_s = time.monotonic()
        self._daily_wall_s = self._last_daily()
        self._wake, self._ending = threading.Event(), False
        self._thread = threading.Thread(target=self._work, name="messenger", daemon=True)
        self._thread.start()

    def tick(self, tick: Tick) -> None:
        """Hear a turn of the loop; never blocks, never raises."""
        self._tick = tick
        alarms = tick.decision.alarms
        codes = frozenset(a.code for a in alarms)
        if codes == self._known:
            return
        least = SEVERITIES.index(self._settings.severity)
        fresh = [a for a in alarms if a.code not in self._known and SEVERITIES.index(a.severity) >= least]
        self._known = codes
        if fresh:
            self._fresh_s = time.monotonic()
            self._fresh.extend(fresh)
            self._wake.set()

    def hush(self) -> None:
        """Say nothing more and end soon. Never blocks."""
        self._ending = True
        self._wake.set()

    def close(self, timeout_s: float = 1.0) -> None:
        """End; what is not sent by then is not sent."""
        self.hush()
        self._thread.join(timeout_s)

    def _work(self) -> None:
        while not self._ending:
            self._wake.wait(min(1.0, self._together_s))
            self._wake.clear()
            try:
                self._gather()
                self._daily()
                self._send_due()
            except Exception as wrong:  # a message that cannot be sent must not end the next one
                self._note("notify", f"cannot send a message: {wrong}")

    def _gather(self) -> None:
        if self._fresh and time.monotonic() - self._fresh_s >= self._together_s:
            alarms = [self._fresh.popleft() for _ in range(len(self._fresh))]
            self._waiting.append(alarm_message(alarms, self._units))

    def _daily(self) -> None:
        tick, now_s, wall_s = self._tick, time.monotonic(), self._wall()
        if not self._settings.daily or tick is None:
            return
        since_s = now_s - self._daily_s
        hour = time.localtime(wall_s).tm_hour == self._settings.daily_hour
        sent_today = 0.0 <= wall_s - self._daily_wall_s < EARLIEST_S
        if (hour and not sent_today) or since_s >= LATEST_S:
            self._daily_s, self._daily_wall_s = now_s, wall_s
            with suppress(OSError):
                self._kept.save(f"{wall_s:.0f}")
            self._waiting.append(daily_message(tick, self._units))

    def _last_daily(self) -> float:
        try:
            return float(self._kept.load().text or 0.0)
        except ValueError:
            return 0.0

    def _send_due(self) -> None:
        now_s = time.monotonic()
        for message in [m for m in self._waiting if m.due_s <= now_s]:
            if self._ending:
                return
            self._waiting.remove(message)
            why = run(self._words, message, self._allowed_s)
            if why:
                self._try_again(message, why)
            time.sleep(0.0 if self._ending else self._gap_s)

    def _try_again(self, message: Message, why: str) -> None:
        if message.tries == 0:
            self._note("notify", f"notify.command did not work: {why}; it is tried again for a day")
        if message.tries < len(RETRIES_S):
            due_s = time.monotonic() + RETRIES_S[message.tries]
            self._waiting.append(replace(message, tries=message.tries + 1, due_s=due_s))
        else:
            self._note("notify", "a message could not be sent for a day and is dropped: " + message.text.split("\n")[0])


def alarm_message(alarms: Iterable[Alarm], units: Units) -> Message:
    """Alarms that came together, the gravest first."""
    ordered = sorted(alarms, key=lambda a: -SEVERITIES.index(a.severity))
    first = ordered[0]
    more = f" (and {len(ordered) - 1} more)" if len(ordered) > 1 else ""
    parts = [f"warmheap: {first.severity}: {first.seen}{more}"]
    for a in ordered:
        parts.append(f"{a.severity.upper()}: {a.seen}\nWhat to do: {a.do}\nLikely: {a.cause}\nEnds: {a.clears}")
    return Message("alarm", first.severity, tuple(a.code for a in ordered), units.text("\n\n".join(parts) + "\n"))


def daily_message(tick: Tick, units: Units) -> Message:
    """How things stand, once a day."""
    alarms = tick.decision.alarms
    worst = max((SEVERITIES.index(a.severity) for a in alarms), default=-1)
    head = "all is well, nothing to do" if not alarms else f"{len(alarms)} open, see below"
    lines = [f"warmheap daily: {head}", "", units.text(tick.decision.reason), *_figures(tick, units)]
    lines += [units.text(f"\n{a.severity.upper()}: {a.seen}\nWhat to do: {a.do}") for a in alarms]
    lines += ["", "If this note stays away, the board, its network or its power is down: go and look."]
    severity = SEVERITIES[worst] if worst >= 0 else "none"
    return Message("daily", severity, tuple(a.code for a in alarms), "\n".join(lines) + "\n")


def _figures(tick: Tick, units: Units) -> list[str]:
    """The readings that there are, in the user's units."""
    m, d = tick.measurements, tick.decision
    shown = {
        "Pile core": units.temp(known(m.pile_core_c)),
        "Supply": units.temp(known(m.water_supply_c)),
        "Greenhouse": units.temp(known(m.greenhouse_c)),
        "Outdoors": units.temp(known(m.outdoor_c)),
        "Flow of water": units.water(known(m.water_flow_kg_s)),
        "Pump's battery": f"{m.pump_battery_v:.2f} V" if m.pump_battery_v == m.pump_battery_v else NONE,
    }
    duties = f"Pump {d.commands.pump_duty:.0%}, fan {d.commands.fan_duty:.0%}"
    return [f"{name}: {value}" for name, value in shown.items() if value != NONE] + [duties]


def run(words: list[str], message: Message, allowed_s: float) -> str:
    """Run the command with the message; empty when it worked, else why not in one line."""
    said = {"KIND": message.kind, "SEVERITY": message.severity, "CODES": " ".join(message.codes)}
    environment: dict[str, Any] = os.environ | {f"WARMHEAP_{k}": v for k, v in said.items()}
    try:
        process = subprocess.Popen(  # noqa: S603 - the user's own command, no shell
            words, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=environment,
            start_new_session=True,
        )  # fmt: skip
    except OSError as wrong:
        return f"{words[0]}: {wrong.strerror}"
    try:
        process.communicate(message.text.encode(), timeout=allowed_s)
    except subprocess.TimeoutExpired:
        with suppress(OSError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        return f"it took longer than {allowed_s:.0f} s and was ended"
    return "" if process.returncode == 0 else f"it ended with {process.returncode}"
