"""What the coil passes, and so in what bed it lies: told from the water of a long draw, wherever the probes were pushed in.

A coil passes what it passes. If the water of a steady draw warms less than it used to at its flow, the compost round the
coil has been chilled while a probe elsewhere still reads hot. A fouled coil looks the same for some weeks.
"""

from __future__ import annotations

from math import nan

from controller.coil import conductance_w_k, core_for_supply_c
from controller.memory import Memory

FRESH_KG = 40.0  # water that stood in coil and pipe says nothing (own judgement), and what stood in the drum little
STALL_S = 120.0  # a pump that stalls under way and goes on leaves the coil as it was; what stands for longer warms anew
FILTER_S = 900.0
RISE_S, FALL_S = 3600.0, 20 * 86400.0  # the usual conductance follows upward soon, downward as slowly as coils foul
# Water that no probe shows may have chilled the compost round the coil unseen: after so much the draw rests (own judgement)
UNSEEN_KG, UNSEEN_REST_S = 120.0, 10800.0


class CoilWatch(Memory):
    """What the coil passes now and usually [W/K], in what bed, and whether the draw rests for water that nobody sees."""

    __slots__ = ("bed_c", "now_w_k", "passed_kg", "rest_s", "stood_s", "usual_w_k")

    def __init__(self) -> None:
        self.now_w_k = self.usual_w_k = nan
        self.bed_c = nan  # in which the coil lies, as it passes what it usually does; NaN for no long draw
        self.passed_kg = self.stood_s = 0.0
        self.rest_s = 0.0

    @property
    def rests(self) -> bool:
        """Whether the material round the coil shall warm up first, in case it was chilled unseen."""
        return self.rest_s > 0.0

    def update(
        self, flow_kg_s: float, supply_c: float, return_c: float, core_c: float, stood_kg: float, dt_s: float
    ) -> None:
        """Take one step; ``stood_kg`` is the water in the coil, 0 for unknown."""
        self.rest_s = max(0.0, self.rest_s - dt_s)
        self.bed_c = nan
        if not flow_kg_s > 0.0:
            self.stood_s += dt_s
            if self.stood_s > STALL_S:
                self.passed_kg, self.now_w_k = 0.0, nan
            return
        self.stood_s = 0.0
        self.passed_kg += flow_kg_s * dt_s
        if supply_c != supply_c and self.passed_kg > UNSEEN_KG and not self.rests:
            self.rest_s = UNSEEN_REST_S
        shown_w_k = conductance_w_k(flow_kg_s, supply_c, return_c, core_c)
        if self.passed_kg < max(FRESH_KG, stood_kg) or shown_w_k != shown_w_k:
            return
        known = self.now_w_k == self.now_w_k
        self.now_w_k = self.now_w_k + (shown_w_k - self.now_w_k) * dt_s / (FILTER_S + dt_s) if known else shown_w_k
        self._learn(dt_s)
        self.bed_c = core_for_supply_c(supply_c, return_c, flow_kg_s, self.usual_w_k)

    def _learn(self, dt_s: float) -> None:
        if self.usual_w_k != self.usual_w_k:
            self.usual_w_k = self.now_w_k
        follow_s = RISE_S if self.now_w_k > self.usual_w_k else FALL_S
        self.usual_w_k += (self.now_w_k - self.usual_w_k) * dt_s / (follow_s + dt_s)
