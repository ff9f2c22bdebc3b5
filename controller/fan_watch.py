"""Watches by its tachometer that the fan turns when it must and stands when it must."""

from __future__ import annotations

from controller.guards import fan_runs_on, fan_stalls, fan_turns
from controller.memory import Memory

STALLED_S = 180.0  # three readings at a tick of a minute: one can be a dropout
MUTE_S = 600.0  # a tachometer that has shown nothing for so long under way is dead, or the fan is
COASTING_S = 60.0
FIRST_PAUSE_S = 900.0
LONGEST_PAUSE_S = 4 * 3600.0


class FanWatch(Memory):
    """Rests a stalled fan, with longer pauses at each new try; a tachometer that never turned proves no stall."""

    __slots__ = ("locked_s", "mute_s", "off_s", "pause_s", "runs_on", "stalled_s", "turned")

    def __init__(self) -> None:
        self.turned = False
        self.stalled_s = 0.0
        self.mute_s = 0.0
        self.off_s = 0.0
        self.locked_s = 0.0
        self.pause_s = FIRST_PAUSE_S
        self.runs_on = False

    @property
    def mute(self) -> bool:
        """Whether the tachometer has never shown a turn although the fan was on for long."""
        return self.mute_s >= MUTE_S

    @property
    def locked(self) -> bool:
        """Whether the fan rests after a stall."""
        return self.locked_s > 0.0

    def update(self, duty: float, speed_hz: float, dt_s: float, elapsed_s: float) -> bool:
        """Take the speed under ``duty``, the command of the last step, and return whether the fan may run."""
        if duty > 0.0:
            self.off_s = 0.0
            self._under_way(duty, speed_hz, dt_s)
        else:
            self.off_s += elapsed_s
            self.stalled_s = 0.0
            self.locked_s = max(0.0, self.locked_s - elapsed_s)
            if self.off_s > COASTING_S and speed_hz == speed_hz:  # until it is seen to stand, it is taken to run on
                self.runs_on = fan_runs_on(duty, speed_hz)
        return self.locked_s <= 0.0

    def _under_way(self, duty: float, speed_hz: float, dt_s: float) -> None:
        if fan_turns(duty, speed_hz):
            self.turned, self.stalled_s, self.mute_s, self.pause_s = True, 0.0, 0.0, FIRST_PAUSE_S
        elif fan_stalls(duty, speed_hz):
            self.stalled_s += dt_s
            self.mute_s = 0.0 if self.turned else self.mute_s + dt_s
            if self.turned and self.stalled_s >= STALLED_S:
                self.stalled_s, self.locked_s = 0.0, self.pause_s
                self.pause_s = min(2.0 * self.pause_s, LONGEST_PAUSE_S)
