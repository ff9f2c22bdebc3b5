"""A hand-run: duties the grower asks for, for a while. It ends by itself, and every guard still stands above it."""

from __future__ import annotations

from math import isfinite

from controller.memory import Memory

LONGEST_HAND_RUN_S = 1800.0  # long enough to bleed a loop or fill a bucket, too short to be forgotten (own judgement)
CALL_AGAIN_S = 10.0


class HandRun(Memory):
    """What was asked for and how long it still holds."""

    __slots__ = ("fan_duty", "left_s", "pump_duty")

    def __init__(self) -> None:
        self.pump_duty = 0.0
        self.fan_duty = 0.0
        self.left_s = 0.0

    @property
    def on(self) -> bool:
        """Whether a hand-run has time left."""
        return self.left_s > 0.0

    def ask(self, pump_duty: float, fan_duty: float, for_s: float) -> None:
        """Begin a hand-run, or replace the present one; ``ValueError`` names what is out of range."""
        _within("pump_duty", pump_duty, 0.0, 1.0, "1")
        _within("fan_duty", fan_duty, 0.0, 1.0, "1")
        _within("for_s", for_s, 1.0, LONGEST_HAND_RUN_S, "s")
        self.pump_duty, self.fan_duty, self.left_s = float(pump_duty), float(fan_duty), float(for_s)

    def end(self) -> None:
        """End it now."""
        self.pump_duty = self.fan_duty = self.left_s = 0.0

    def pass_time(self, elapsed_s: float) -> None:
        """Let time pass; what was asked for is forgotten when it is over."""
        if self.left_s > 0.0:
            self.left_s -= elapsed_s
            if self.left_s <= 0.0:
                self.end()


def _within(name: str, value: object, low: float, high: float, unit: str) -> None:
    number = isinstance(value, (int, float)) and not isinstance(value, bool) and isfinite(value)
    if not number or not low <= value <= high:  # type: ignore[operator]
        raise ValueError(f"{name} = {value!r} is outside {low:g}..{high:g} {unit}: ask for less, or ask again later")
