"""A small plant for commissioning tests, of its own equations: no code of the project's computes it."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from math import exp, nan

from controller import Commands, Measurements
from controller.commissioning import Commissioning, SessionStep
from controller.commissioning_plan import TAPE
from controller.commissioning_watch import Permission

CP = 4186.0


@dataclass
class Rig:
    """A motor with stiction, a plug-flow coil in a bed of 62 degC, a probe with lag. Litres, seconds, no project code."""

    start: float = 0.22
    run: float = 0.15
    full_kg_s: float = 0.5
    coil_kg: float = 40.0
    ua: float = 400.0
    lag_s: float = 20.0
    volts: float = 12.6
    meter: float = 1.0
    missing: tuple[str, ...] = ()
    offset_k: float = 0.3
    core_c: float = 62.0
    blocked: bool = False
    time_s: float = 1.7e9
    flow: float = 0.0
    fan_hz: float = 0.0
    supply_c: float = 12.0
    seen_c: float = 12.0
    pumped: float = 0.0
    commands: Commands = field(default_factory=Commands)
    slugs: list[list[float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.chance = random.Random(3)
        self.slugs = [[0.0, 62.0]]  # entered at (pumped kg), temperature

    def advance(self, dt_s: float) -> None:
        for _ in range(max(1, round(dt_s))):
            part = dt_s / max(1, round(dt_s))
            drive = self.commands.pump_duty * self.volts / 12.0
            turns = drive >= (self.run if self.flow > 0.0 else self.start) and not self.blocked
            self.flow = self.full_kg_s * (drive - 0.85 * self.run) / (1.0 - 0.85 * self.run) if turns else 0.0
            fan = self.commands.fan_duty
            self.fan_hz = 45.0 * fan if fan >= (0.1 if self.fan_hz > 0.0 else 0.18) else 0.0
            self.pumped += self.flow * part
            if self.flow > 0.0:
                stayed_kg = min(self.pumped, self.coil_kg)
                cold = self.pumped > self.coil_kg
                ntu = self.ua * stayed_kg / self.coil_kg / (self.flow * CP)
                outlet = self.core_c - (self.core_c - 14.0) * exp(-ntu) if cold else self.core_c
                self.supply_c += min(self.flow * part / 1.5, 1.0) * (outlet - self.supply_c)
            self.seen_c += (1.0 - exp(-part / self.lag_s)) * (self.supply_c - self.seen_c)
        self.time_s += dt_s

    def measure(self) -> Measurements:
        near = self.chance.gauss
        seen = {
            "pile_core_c": self.core_c + near(0.0, 0.05),
            "water_supply_c": self.seen_c + near(0.0, 0.05),
            "water_return_c": (14.0 if self.pumped > 1.0 else 12.0) + self.offset_k + near(0.0, 0.05),
            "water_flow_kg_s": self.meter * self.flow * near(1.0, 0.01),
            "fan_speed_hz": self.fan_hz,
            "pump_battery_v": self.volts,
            "fan_battery_v": 12.6,
            "greenhouse_c": 9.0,
        }
        return Measurements(time_s=self.time_s, **{k: nan if k in self.missing else v for k, v in seen.items()})


def answer_of(rig: Rig, step: SessionStep, before: dict[str, float]) -> float:
    if step.question is None:
        return nan
    if step.question.key == TAPE:
        return rig.coil_kg
    return 1.0 if step.question.key.endswith("-ready") else rig.pumped - before.get(step.stage, rig.pumped)


def drive(session: Commissioning, rig: Rig, permission=lambda rig, step: Permission(), most_s: float = 5000.0):
    """Run to the end; returns every step that was taken."""
    steps, answer, before = [], nan, {}
    begin = rig.time_s
    while rig.time_s - begin < most_s:
        step = session.step(rig.measure(), permission(rig, steps[-1] if steps else None), answer)
        steps.append(step)
        if step.done:
            break
        if step.question and step.question.key.endswith("-ready"):
            before[step.stage] = rig.pumped
        answer = answer_of(rig, step, before)
        rig.commands = step.commands
        rig.advance(step.next_s)
    return steps
