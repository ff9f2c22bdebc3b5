"""A check against the simulator: its hot pile, and the senses of a grower who stands beside it."""

from __future__ import annotations

from typing import Any

from controller.commissioning_plan import BUCKETS

from .commission_sim import WarmSimPlant


class SimSenses:
    """Answers what only a person sees, from the truth."""

    def __init__(self, plant: WarmSimPlant) -> None:
        self._plant, self._truth = plant, plant._plant.truth
        self._before_kg = plant.pumped_kg

    def __call__(self, key: str) -> str | None:
        """The answer to the question ``key``; None when a person is asked."""
        seen: Any = self._truth
        if key in BUCKETS:
            before_kg, self._before_kg = self._before_kg, self._plant.pumped_kg
            return f"{self._plant.pumped_kg - before_kg:.3f} L"
        runs = {"pump": seen.pump_on > 0.0, "fan": seen.fan_on > 0.0}
        told = {f"{name}-runs": on for name, on in runs.items()} | {
            f"{name}-quiet": not on for name, on in runs.items()
        }
        told["fan-in"] = runs["fan"]
        if key not in told:
            self._before_kg = self._plant.pumped_kg  # consent: what flows from here on is in the bucket
            return None
        return "y" if told[key] else "n"
