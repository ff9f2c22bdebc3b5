"""One plain line on how things stand, for a terminal, a log or a machine."""

from __future__ import annotations

import json
import sys
import time
from datetime import UTC, datetime
from typing import Any, TextIO

from controller import Alarm

from .loop import Tick

QUIET_S = 600.0  # without news, a log gets a line this often
LEAST_S = 0.25  # a terminal is not painted more often
GALLON_A_MINUTE_KG_S = 0.0631
_SIGN = {"notice": "note", "warning": "WARNING", "critical": "DANGER"}


class Status:
    """Makes the lines and shows them. ``line`` is called from the loop, ``show`` from the scribe's thread."""

    def __init__(self, *, as_json: bool = False, stream: TextIO | None = None) -> None:
        self._json, self._stream = as_json, stream or sys.stdout
        self._live = not as_json and self._stream.isatty()
        self._last: tuple[str, str] = ("", "")
        self._shown_s = float("-inf")

    def line(self, tick: Tick) -> str:
        """The line for a tick; empty when there is nothing new to say."""
        now_s, news = time.monotonic(), (tick.decision.phase, tick.decision.limit)
        due_s = LEAST_S if self._live else QUIET_S
        if news == self._last and now_s - self._shown_s < due_s:
            return ""
        fresh = news != self._last and self._last != ("", "")
        self._last, self._shown_s = news, now_s
        if self._json:
            return json.dumps(as_dict(tick), allow_nan=False)
        return ("\n" if fresh and self._live else "") + plain(tick)

    def event(self, text: str) -> str:
        """The line for something that happened."""
        return json.dumps({"event": text}) if self._json else self._whole(text)

    def alarm(self, alarm: Alarm) -> str:
        """The line for an alarm that began."""
        if self._json:
            return json.dumps({"alarm": alarm.code, "severity": alarm.severity, "seen": alarm.seen, "do": alarm.do})
        return self._whole(f"{_SIGN.get(alarm.severity, alarm.severity)}: {alarm.seen}. {alarm.do}")

    def show(self, line: str) -> None:
        """Put a line out. May block, may raise ``OSError``."""
        begin, end = ("\r\x1b[K", "") if self._live else ("", "\n")
        lead = line[0] if line[:1] == "\n" else ""
        self._stream.write(lead + begin + line.removeprefix("\n") + end)
        self._stream.flush()

    def _whole(self, text: str) -> str:
        return f"{text}\n" if self._live else text


def plain(tick: Tick) -> str:
    """A tick for people."""
    m, d = tick.measurements, tick.decision
    parts = [
        datetime.fromtimestamp(m.time_s, UTC).strftime("%Y-%m-%d %H:%M"),
        d.phase,
        _known("core {:.1f} °C", m.pile_core_c),
        _known("supply {:.1f} °C", m.water_supply_c),
        _known("{:.2f} gal/min", m.water_flow_kg_s / GALLON_A_MINUTE_KG_S),
        _known("greenhouse {:.1f} °C", m.greenhouse_c),
        f"pump {d.commands.pump_duty:.0%}",
        f"fan {d.commands.fan_duty:.0%}",
        d.reason,
    ]
    return "  ".join(part for part in parts if part)


def _known(form: str, value: float) -> str:
    return form.format(value) if value == value else ""


def as_dict(tick: Tick) -> dict[str, Any]:
    """A tick for machines; None where there is no reading."""
    from dataclasses import asdict

    m, d = tick.measurements, tick.decision
    found = asdict(m) | {"pump_duty": d.commands.pump_duty, "fan_duty": d.commands.fan_duty, "late_s": tick.late_s}
    numbers = {name: value if abs(value) < float("inf") else None for name, value in found.items()}
    return numbers | {"phase": d.phase, "limit": d.limit, "reason": d.reason, "alarms": [a.code for a in d.alarms]}
