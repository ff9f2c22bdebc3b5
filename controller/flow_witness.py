"""Without a flow meter: does the water move? Told from temperatures, so late and not always.

See ``controller.guards.water_stands`` for what cannot be told.
"""

from __future__ import annotations

from controller.coil import TELLING_SPAN_K, expected_rise_k
from controller.guards import FAR_BELOW_SHARE, water_stands
from controller.memory import Memory

FIRST_LOOK_S = 300.0  # what stood in pipe and coil has passed the supply probe by then
LATER_LOOK_S = 180.0  # after another start at full duty


class FlowWitness(Memory):
    """For how long the temperatures have said that the water stands."""

    __slots__ = ("_coil_ua_w_k", "stands_s")

    def __init__(self, coil_ua_w_k: float) -> None:
        self._coil_ua_w_k = coil_ua_w_k
        self.stands_s = 0.0

    def update(
        self, start_c: float, supply_c: float, return_c: float, core_c: float, flow_kg_s: float, dt_s: float
    ) -> bool:
        """Take one step of a running pump; return whether the temperatures prove that water moves."""
        span_k = core_c - return_c
        expected_k = expected_rise_k(core_c, return_c, flow_kg_s, self._coil_ua_w_k)
        if water_stands(start_c, supply_c, return_c, expected_k, span_k):
            self.stands_s += dt_s
            return False
        self.stands_s = 0.0
        return span_k > TELLING_SPAN_K and supply_c - return_c > FAR_BELOW_SHARE * expected_k

    def stands(self, tried_before: bool) -> bool:
        """Tell whether it has lasted long enough to act on it; begins to count anew when it has."""
        if self.stands_s < (LATER_LOOK_S if tried_before else FIRST_LOOK_S):
            return False
        self.stands_s = 0.0
        return True
