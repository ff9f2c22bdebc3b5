"""A tiny pile for closed-loop tests: three lumps, a coil and a house. Meant to differ from the project's simulator.

Heat is made by a bell-shaped rate law, so that a chilled pile makes less and may not come back. The coil lies in its
own lump, which chills hours before the core probe sees it.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from math import exp, nan, sin, tau

from controller import Commands, Measurements

CP = 4186.0
STEP_S = 30.0


@dataclass
class TinyPlant:
    """Temperatures in degC, heat in W, SI throughout."""

    mass_kg: float = 8000.0
    vigour: float = 1.0  # heat made over the design value
    decay_per_day: float = 0.012
    coil_ua_w_k: float = 250.0
    pump_full_kg_s: float = 0.8
    pump_idle_duty: float = 0.145
    pump_start_duty: float = 0.25
    probe_offset_k: float = 0.0
    probe_outward: float = 0.0  # 0 reads the core, 1 reads the outer lump
    probe_lag_s: float = 300.0
    outdoor_mean_c: float = 2.0
    missing: tuple[str, ...] = ()
    seed: int = 1
    core_c: float = 55.0
    skin_c: float = 55.0
    outer_c: float = 42.0
    house_c: float = 8.0
    supply_c: float = 20.0
    return_c: float = 15.0
    time_s: float = 1.7e9
    elapsed_s: float = 0.0
    turning: bool = False
    flow_kg_s: float = 0.0
    drawn_w: float = 0.0
    drawn_j: float = 0.0
    made_j: float = 0.0
    commands: Commands = field(default_factory=Commands)
    probe_c: float = 55.0

    def __post_init__(self) -> None:
        self.chance = random.Random(self.seed)

    def measure(self) -> Measurements:
        near = self.chance.gauss
        seen = {
            "pile_core_c": self.probe_c + self.probe_offset_k + near(0.0, 0.06),
            "pile_edge_c": self.outer_c + near(0.0, 0.06),
            "water_supply_c": self.supply_c + near(0.0, 0.1),
            "water_return_c": self.return_c + near(0.0, 0.1),
            "water_flow_kg_s": self.flow_kg_s * near(1.0, 0.02),
            "air_supply_c": 22.0,
            "air_supply_rh": 0.98,
            "greenhouse_c": self.house_c + near(0.0, 0.05),
            "greenhouse_rh": 0.8,
            "outdoor_c": self.outdoor_c + near(0.0, 0.1),
            "pump_battery_v": 12.7 + near(0.0, 0.02),
            "fan_battery_v": 12.7 + near(0.0, 0.02),
        }
        return Measurements(time_s=self.time_s, **{k: nan if k in self.missing else v for k, v in seen.items()})

    @property
    def outdoor_c(self) -> float:
        day = self.elapsed_s / 86400.0
        return self.outdoor_mean_c + 5.0 * sin(tau * day) + 5.0 * sin(tau * day / 11.0)

    def advance(self, dt_s: float) -> None:
        left = dt_s
        while left > 1e-9:
            self._step(min(left, STEP_S))
            left -= STEP_S
        self.time_s += dt_s

    def _step(self, dt: float) -> None:
        self._pump()
        water_w = self._water(dt)
        air_w = 1500.0 * self.commands.fan_duty
        part = self.mass_kg / 8000.0
        made = self._made_w(self.core_c, 0.35), self._made_w(self.outer_c, 0.65)
        inward = 60.0 * part**0.5 * (self.core_c - self.outer_c)
        to_skin = 350.0 * (self.core_c - self.skin_c)
        lost = 24.0 * part ** (2 / 3) * (self.outer_c - self.outdoor_c) + air_w
        heat_j_k = self.mass_kg * 2900.0
        self.core_c += dt * (made[0] - inward - to_skin) / (0.30 * heat_j_k)
        self.skin_c += dt * (to_skin - water_w) / (0.06 * heat_j_k)
        self.outer_c += dt * (made[1] + inward - lost) / (0.64 * heat_j_k)
        self.probe_c += min(dt / self.probe_lag_s, 1.0) * (
            self.core_c + self.probe_outward * (self.outer_c - self.core_c) - self.probe_c
        )
        self.house_c = max(
            7.0, self.house_c + dt * (20.0 * water_w / 20.0 - 120.0 * (self.house_c - self.outdoor_c)) / 6e6
        )
        self.drawn_w = water_w + air_w
        self.drawn_j += dt * self.drawn_w
        self.made_j += dt * sum(made)
        self.elapsed_s += dt

    def _pump(self) -> None:
        duty = self.commands.pump_duty
        self.turning = duty > (self.pump_idle_duty if self.turning else self.pump_start_duty)
        idle = self.pump_idle_duty
        self.flow_kg_s = self.pump_full_kg_s * (duty - idle) / (1.0 - idle) if self.turning else 0.0

    def _water(self, dt: float) -> float:
        """Heat taken by the water [W]; the supply probe sits in 8 kg of water, the line loses a little."""
        m = self.flow_kg_s
        if m <= 0.0:
            self.return_c += dt / 20000.0 * (self.outdoor_c + 6.0 - self.return_c)
            self.supply_c += dt / 20000.0 * (self.outdoor_c + 6.0 - self.supply_c)
            return 0.0
        warmed = self.skin_c - self.return_c
        outlet_c = self.return_c + warmed * (1.0 - exp(-self.coil_ua_w_k / (m * CP)))
        mixing = min(m * dt / 8.0, 1.0)
        self.supply_c += mixing * (outlet_c - self.supply_c)
        self.return_c += mixing * (self.house_c + 0.3 * (self.supply_c - self.house_c) - self.return_c)
        return m * CP * (outlet_c - self.return_c)

    def _made_w(self, at_c: float, share: float) -> float:
        """Bell around 57 degC, a fifth of it at 30 and at 72."""
        rate = exp(-(((at_c - 57.0) / (21.0 if at_c < 57.0 else 12.0)) ** 2))
        left = exp(-self.decay_per_day * self.elapsed_s / 86400.0)
        return 0.45 * self.vigour * self.mass_kg * share * rate * left
