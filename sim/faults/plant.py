"""A plant with faults: the simulated plant, its wires and its sensors, with any faults on top, at any time.

Parameters,
sensor table and weather are kept as they were; at each change the standing faults are laid over them afresh, so they
combine and end in any order.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from controller.signals import Commands, Measurements
from sim.faults.kinds import FaultKind, Share
from sim.plant import Plant, Truth

Wire = Callable[[float], float]
Tap = Callable[[Measurements], Measurements]
AGE_EVERY_S = 300.0


class Standing:
    """A fault that is there now: its kind, how bad, since when [s]."""

    __slots__ = ("kind", "severity", "since_s")

    def __init__(self, kind: FaultKind, severity: Share, since_s: float) -> None:
        self.kind, self.severity, self.since_s = kind, severity, since_s


class FaultyPlant:
    """`sim.Plant` behind the same contract, with faults that begin and end. ``plant`` is the plant inside."""

    def __init__(self, plant: Plant) -> None:
        self.plant = plant
        self.standing: list[Standing] = []
        self.sound_params, self.sound_sensors, self.sound_table = plant.params.copy(), plant.sensors.copy(), plant.table
        self.wires: dict[str, list[Wire]] = {"pump": [], "fan": []}
        self.taps: list[Tap] = []
        self.held: dict[str, float] = {}  # what stuck sensors stay at
        self._aged_s = plant.time_s
        self.switched = Commands()

    @property
    def truth(self) -> Truth:
        """Ground truth of the plant inside."""
        return self.plant.truth

    @property
    def lost(self) -> frozenset[str]:
        """What the standing faults have taken from the plant."""
        return frozenset().union(*(s.kind.takes for s in self.standing))

    def copy(self) -> FaultyPlant:
        """The same plant with the same faults, going its own way from here."""
        twin = FaultyPlant(self.plant.copy())
        twin.sound_params, twin.sound_sensors, twin.sound_table = (
            self.sound_params, self.sound_sensors, self.sound_table,
        )  # fmt: skip
        twin.standing = [Standing(s.kind, s.severity, s.since_s) for s in self.standing]
        twin.held = dict(self.held)
        twin._lay_over()
        return twin

    def unfaulted(self) -> Plant:
        """A copy of the plant inside as it is now, with parameters, sensors and weather as they were without faults."""
        plant = self.plant.copy()
        plant.params[:], plant.sensors[:], plant.table = self.sound_params, self.sound_sensors, self.sound_table
        return plant

    def begin(self, kind: FaultKind, severity: Share) -> None:
        """Let a fault begin now."""
        self.standing.append(Standing(kind, severity, self.plant.time_s))
        self._lay_over()
        if kind.strike:
            kind.strike(self, kind.amount(severity))

    def end(self, kind: FaultKind) -> None:
        """Let a fault end now, if it stands."""
        for standing in [s for s in self.standing if s.kind is kind]:
            self.standing.remove(standing)
            self._lay_over()
            if kind.mend:
                kind.mend(self, kind.amount(standing.severity))

    def measure(self) -> Measurements:
        """Every sensor once, as the wires bring it."""
        readings = self.plant.measure()
        for tap in self.taps:
            readings = tap(readings)
        return readings

    def apply(self, commands: Commands) -> None:
        """Set both duties, as the wires bring them."""
        pump, fan = commands.pump_duty, commands.fan_duty
        for wire in self.wires["pump"]:
            pump = wire(pump)
        for wire in self.wires["fan"]:
            fan = wire(fan)
        self.switched = Commands(pump, fan)
        self.plant.apply(self.switched)

    def advance(self, dt_s: float) -> None:
        """Let time pass; faults that grow with age grow."""
        self.plant.advance(dt_s)
        if self.standing and self.plant.time_s - self._aged_s >= AGE_EVERY_S:
            self._aged_s = self.plant.time_s
            if any(s.kind.ages for s in self.standing):
                self._lay_over()

    def own_table(self) -> Any:
        """The weather table, to be changed in place: a copy of its own at the first call."""
        if self.plant.table is self.sound_table:
            self.plant.table = self.sound_table.copy()
        return self.plant.table

    def tap(self, **changes: Callable[[Measurements], float]) -> None:
        """Change readings on their way: each named field becomes what its function makes of the measurements."""
        self.taps.append(lambda m: replace(m, **{name: change(m) for name, change in changes.items()}))

    def _lay_over(self) -> None:
        plant = self.plant
        plant.params[:], plant.sensors[:], plant.table = self.sound_params, self.sound_sensors, self.sound_table
        self.wires, self.taps = {"pump": [], "fan": []}, []
        for s in self.standing:
            if s.kind.alter:
                s.kind.alter(self, s.kind.amount(s.severity), plant.time_s - s.since_s)
        if not self.taps:
            self.held.clear()
