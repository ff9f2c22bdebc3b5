"""A check against the simulator: its hot pile, and the senses of a grower who stands beside it."""

from __future__ import annotations

from typing import Any

from controller.commissioning_plan import BUCKETS

from .check_ask import Senses
from .commission_sim import WarmSimPlant


class SimSenses(Senses):
    """Answers what only a person sees, from the truth."""

    def __init__(self, plant: WarmSimPlant) -> None:
        self._plant, self._before_kg = plant, plant.pumped_kg

    def knows(self, key: str) -> bool:
        """All but consent, which is the person's."""
        return key in BUCKETS or key in self._told()

    def answer(self, key: str) -> str:
        """As a line that is typed."""
        if key in BUCKETS:
            return f"{self._plant.pumped_kg - self._before_kg:.3f} L"
        return "y" if self._told()[key] else "n"

    def note_consent(self) -> None:
        """What flows from here on is in the bucket."""
        self._before_kg = self._plant.pumped_kg

    def _told(self) -> dict[str, bool]:
        seen: Any = self._plant._plant.truth
        pump, fan = seen.pump_on > 0.0, seen.fan_on > 0.0
        return {"pump-runs": pump, "pump-quiet": not pump, "fan-runs": fan, "fan-quiet": not fan, "fan-in": fan}
