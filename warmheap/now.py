"""How things stand at one turn of the loop, as JSON values: what page, metrics and MQTT show."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, replace
from math import isfinite
from typing import Any

from controller import Alarm, ControllerSettings

from .loop import Tick

SHOWN_SETTINGS = (
    "supply_target_c",
    "flow_target_kg_s",
    "greenhouse_min_c",
    "greenhouse_ceiling_c",
    "pile_floor_c",
    "supply_max_c",
    "battery_low_v",
)


def as_shown(tick: Tick, settings: ControllerSettings) -> Tick:
    """A tick for people and hubs: its flow is the true one, not what the meter reads.

    The only place that corrects a flow that is shown. The ledger's column stays what the meter read, which a replay needs;
    its heat is corrected where it is booked (`warmheap.heat_book`).
    """
    m = tick.measurements
    return replace(tick, measurements=replace(m, water_flow_kg_s=settings.flow_meter_gain * m.water_flow_kg_s))


def as_now(
    tick: Tick, settings: ControllerSettings, unseen: Iterable[Alarm], *, wall_s: float, turns: int, hand_left_s: float
) -> dict[str, Any]:
    """A tick of `as_shown` with what stands around it. ``unseen`` are all alarms that are not normal; NaN becomes None."""
    m, d = tick.measurements, tick.decision
    readings = {name: known(value) for name, value in asdict(m).items() if name != "time_s"}
    return {
        "wall_s": wall_s,
        "time_s": known(m.time_s),
        "turns": turns,
        "late_s": tick.late_s,
        "next_s": d.next_s,
        "readings": readings,
        "pump_duty": d.commands.pump_duty,
        "fan_duty": d.commands.fan_duty,
        "phase": d.phase,
        "cause": d.cause,
        "limit": d.limit,
        "reason": d.reason,
        "alarms": [_alarm(a) for a in d.alarms],
        "past_alarms": [_alarm(a) for a in unseen if a.code not in {b.code for b in d.alarms}],
        "estimate": {name: known(value) for name, value in asdict(d.estimate).items()},
        "settings": {name: getattr(settings, name) for name in SHOWN_SETTINGS},
        "hand_left_s": hand_left_s,
    }


def known(value: float) -> float | None:
    """The value, or None when it is no finite number."""
    return value if isfinite(value) else None


def _alarm(alarm: Alarm) -> dict[str, Any]:
    return {**asdict(alarm), "since_s": known(alarm.since_s)}
