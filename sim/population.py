"""Random plants around a design: what a grower might have built, and how far from the drawing it turned out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from controller import ControllerSettings
    from sim.scenario import Scenario

WEATHER = ("pvlib:723170TYA.CSV", "pvlib:703165TY.csv")
STARTS = ("10-01", "10-15", "11-01", "11-15", "12-01", "12-15", "01-01", "01-15")
SMALLEST_M3, LARGEST_M3 = 6.0, 30.0
SPREAD = 0.5  # every uncertain figure lies within this share of its design value
UNCERTAIN = (
    "pile.fast_fraction",
    "pile.slow_fraction",
    "pile.fast_rate",
    "pile.slow_rate",
    "pile.permeability",
    "pile.cover_resistance",
    "coil.contact",
    "coil.ua_skin",
    "pump.max_flow",
    "pump.max_head",
    "fan.max_flow",
    "pump_power.panel",
    "pump_power.battery",
    "fan_power.panel",
    "fan_power.battery",
)
MOST_DEGRADABLE = 0.9


@dataclass(frozen=True)
class RandomSeason:
    """One drawn case: what was designed (the controller's knowledge) and what was built (the plant)."""

    number: int
    design: Scenario
    built: Scenario

    @property
    def settings(self) -> ControllerSettings:
        """What the grower knows: the design, not the plant."""
        return self.design.controller_settings()


def random_season(base: Scenario, number: int) -> RandomSeason:
    """Draw case ``number``: the same number always gives the same case.

    Pile volume 6..30 m3 (even in its logarithm) with coil, skin and greenhouse in proportion; place and start from the
    lists above; every figure of `UNCERTAIN` up to 50 % off its design; probes pushed in at a random depth.
    """
    rng = np.random.default_rng([20, number])
    design = base.varied(_design(base, rng))
    factors = {name: float(rng.uniform(1.0 - SPREAD, 1.0 + SPREAD)) for name in UNCERTAIN}
    changes: dict[str, Any] = {name: _value(design, name) * factor for name, factor in factors.items()}
    degradable = changes["pile.fast_fraction"] + changes["pile.slow_fraction"]
    if degradable > MOST_DEGRADABLE:
        changes["pile.slow_fraction"] *= MOST_DEGRADABLE / degradable
        changes["pile.fast_fraction"] *= MOST_DEGRADABLE / degradable
    changes["sensors.pile_temperature.core_depth"] = float(rng.uniform(0.1, 0.65))
    changes["sensors.pile_temperature.edge_depth"] = float(rng.uniform(0.75, 0.95))
    return RandomSeason(number, design, design.varied(changes))


def _design(base: Scenario, rng: np.random.Generator) -> dict[str, Any]:
    volume = float(np.exp(rng.uniform(np.log(SMALLEST_M3), np.log(LARGEST_M3))))
    size = volume / base.pile.volume
    return {
        "place.weather": WEATHER[int(rng.integers(len(WEATHER)))],
        "place.start": STARTS[int(rng.integers(len(STARTS)))],
        "pile.volume": volume,
        "coil.length": base.coil.length * size,
        "coil.skin_mass": base.coil.skin_mass * size,
        "coil.ua_skin": base.coil.ua_skin * size,
        "greenhouse.cover_area": base.greenhouse.cover_area * size ** (2.0 / 3.0),
        "greenhouse.floor_area": base.greenhouse.floor_area * size ** (2.0 / 3.0),
        "greenhouse.volume": base.greenhouse.volume * size,
        "greenhouse.emitter_ua": base.greenhouse.emitter_ua * size ** (2.0 / 3.0),
    }


def _value(scenario: Scenario, name: str) -> float:
    value: Any = scenario
    for part in name.split("."):
        value = getattr(value, part)
    return float(value)
