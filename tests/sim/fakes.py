"""A plant of a few lines with the outside of the real one, so that the season loop is tested by hand arithmetic."""

from __future__ import annotations

from types import SimpleNamespace

from controller import Commands, ControllerSettings, Decision, Measurements

DRAW_W = 5000.0  # what the pump at full duty takes out of the pile
MADE_W = 2000.0
HEAT_CAPACITY_J_K = 2.0e7
NEEDED_W = 3000.0  # what the greenhouse lacks without the pile


class FakePlant:
    """A pile of one temperature: made 2 kW, drawn 5 kW at full duty, so that everything can be told beforehand."""

    built = 0

    def __init__(self, scenario: object, seed: int = 1) -> None:
        type(self).built += 1
        self.pump_duty = self.fan_duty = 0.0
        self.ticks: list[float] = []
        zeros = dict.fromkeys(
            "time_s heat_water_j heat_air_j heat_useful_j drawn_j made_j backup_j pump_j fan_j outage_s flow_s_kg"
            " frozen_s flow_kg_s pump_on fan_on".split(),
            0.0,
        )
        self.truth = SimpleNamespace(
            **zeros, core_c=60.0, edge_c=40.0, supply_c=40.0, return_c=20.0, greenhouse_c=10.0, greenhouse_rh=0.6,
            outdoor_c=0.0, tank_c=10.0, pump_soc=0.9, fan_soc=0.9, pump_v=12.5, fan_v=12.5, heat_made_w=MADE_W,
        )  # fmt: skip

    def measure(self) -> Measurements:
        return Measurements(time_s=self.truth.time_s, pile_core_c=self.truth.core_c, greenhouse_c=10.0, outdoor_c=0.0)

    def apply(self, commands: Commands) -> None:
        self.pump_duty, self.fan_duty = commands.pump_duty, commands.fan_duty

    def advance(self, dt_s: float) -> None:
        t, drawn_w = self.truth, DRAW_W * self.pump_duty
        self.ticks.append(dt_s)
        t.time_s += dt_s
        t.flow_kg_s = 0.5 * self.pump_duty
        t.flow_s_kg += t.flow_kg_s * dt_s
        t.made_j += MADE_W * dt_s
        t.drawn_j += drawn_w * dt_s
        t.heat_water_j += drawn_w * dt_s
        t.heat_useful_j += drawn_w * dt_s
        t.backup_j += max(0.0, NEEDED_W - drawn_w) * dt_s
        t.pump_j += 60.0 * self.pump_duty * dt_s
        t.fan_j += 30.0 * self.fan_duty * dt_s
        t.core_c -= drawn_w * dt_s / HEAT_CAPACITY_J_K


class FakeScenario:
    """The few things of a scenario that the season asks for."""

    title = "fake pile"
    weather_path = "nowhere"
    place = SimpleNamespace(start="12-01")

    def __init__(self, backup: bool = True) -> None:
        self.greenhouse = SimpleNamespace(minimum=7.0, ceiling=24.0, backup=backup)

    def __repr__(self) -> str:
        return f"FakeScenario({self.greenhouse.backup})"

    def controller_settings(self) -> ControllerSettings:
        return ControllerSettings()


class Constant:
    """A policy that always says the same."""

    name = "constant"

    def __init__(self, pump_duty: float, next_s: float = 60.0, fan_duty: float = 0.0) -> None:
        self.decision = Decision(Commands(pump_duty, fan_duty), "harvest", "none", "Always.", next_s=next_s)
        self.calls = 0

    def step(self, measurements: Measurements) -> Decision:
        self.calls += 1
        return self.decision
