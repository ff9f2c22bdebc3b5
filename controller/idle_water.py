"""Water and meter while the pump is off: a loop that circulates by itself, a pump that runs on, a meter that lies.

With a meter all three are told apart by how much flows and whether it is warm. Without one, a pump that runs on cannot
be told from a loop that circulates by itself: both bring warm water.
"""

from __future__ import annotations

from controller.memory import Memory
from controller.pump import METER_WORKS_KG_S

OFF_S = 3600.0
CLEAN_S = 600.0
RISE_K, ABOVE_AIR_K = 6.0, 8.0
RUNS_ON_SHARE = 0.3  # of full flow: no loop circulates by itself so fast (own judgement)
RUNS_ON_S = 300.0
SETTLED_S = 300.0  # after the pump's stop: by then the return probe has followed what the draw itself brought back


class IdleWater(Memory):
    """What the water does while the pump is off."""

    __slots__ = (
        "_full_kg_s",
        "clean_s",
        "flow_s",
        "highest_air_c",
        "lies",
        "lowest_c",
        "lowest_return_c",
        "off_s",
        "runs_on",
        "warm",
    )

    def __init__(self, full_flow_kg_s: float) -> None:
        self._full_kg_s = full_flow_kg_s
        self.clean_s = 0.0
        self.runs_on = self.lies = False
        self.pump_ran()

    def pump_ran(self) -> None:
        """Begin anew: the pump was on. That it runs on when switched off, a run of it neither proves nor refutes."""
        self.off_s = self.flow_s = 0.0
        self.lowest_c, self.lowest_return_c, self.highest_air_c = 300.0, 300.0, -300.0
        self.warm = False

    def update(self, supply_c: float, return_c: float, air_c: float, flow_kg_s: float, elapsed_s: float) -> None:
        """Take the standing water, the warmest air around the pipe and what the meter says (NaN: unknown)."""
        self.off_s += elapsed_s
        flows = flow_kg_s > METER_WORKS_KG_S
        self.flow_s = self.flow_s + elapsed_s if flows else 0.0
        self.clean_s = self.clean_s + elapsed_s if flow_kg_s <= METER_WORKS_KG_S else 0.0
        lasts = self.runs_on or self.flow_s >= RUNS_ON_S
        # a meter that falls silent refutes nothing
        self.runs_on = lasts and not flow_kg_s <= RUNS_ON_SHARE * self._full_kg_s
        self.highest_air_c = max(self.highest_air_c, air_c) if air_c == air_c else self.highest_air_c
        if self.off_s >= OFF_S:
            self._judge(supply_c, flows)
        elif self.off_s >= SETTLED_S:
            self._judge_early(return_c)
        if self.clean_s >= CLEAN_S:
            self.lies = False

    def _judge(self, supply_c: float, flows: bool) -> None:
        if supply_c < self.lowest_c:
            self.lowest_c = supply_c
        above_air_k = supply_c - self.highest_air_c
        self.warm = above_air_k > ABOVE_AIR_K and (flows or supply_c - self.lowest_c > RISE_K)
        if self.flow_s >= OFF_S and not self.warm and not self.runs_on:
            self.lies = True

    def _judge_early(self, return_c: float) -> None:
        """Within the first hour the supply is warm anyhow; a return that grows warm while a meter counts is proof."""
        if return_c < self.lowest_return_c:
            self.lowest_return_c = return_c
        came_back = return_c - self.lowest_return_c > RISE_K and return_c - self.highest_air_c > ABOVE_AIR_K
        self.warm = came_back and self.flow_s >= RUNS_ON_S
