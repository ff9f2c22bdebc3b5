"""Without a flow meter: does the water move? Told from temperatures, so late and not always.

See ``controller.guards.water_stands`` for what cannot be told.
"""

from __future__ import annotations

from math import nan

from controller.coil import TELLING_SPAN_K, expected_rise_k
from controller.guards import FAR_BELOW_SHARE, water_stands
from controller.memory import Memory

FIRST_LOOK_S = 240.0  # what stood in the coil has reached the supply probe by then, and a dry pump bears it
LATER_LOOK_S = 180.0  # after another start at full duty
AGREED_S = 60.0  # of what the temperatures say, where a meter has said the same and the pump has run that long
# Water that moves brings a front: the supply changes by ten kelvins and more within a minute or two. What creeps along the
# pipe by conduction, or with the trickle of a pump that draws air, takes many minutes for it (own judgement).
CREEP_K_S, FRONT_K = 3.0 / 60.0, 3.0
# A trickle of hot water warms the supply probe, which is near the pile, but hardly the return (own judgement).
RETURN_ROSE_K = 3.0


class FlowWitness(Memory):
    """For how long the temperatures have said that the water stands, and whether a front has passed in this run."""

    __slots__ = ("_coil_ua_w_k", "crept_c", "from_cold", "front", "least_return_c", "stands_s")

    def __init__(self, coil_ua_w_k: float) -> None:
        self._coil_ua_w_k = coil_ua_w_k
        self.stands_s = 0.0
        self.crept_c = self.least_return_c = nan
        self.front = self.from_cold = False

    def rest(self, denied: bool = False) -> None:
        """The pump stands: what was seen belongs to the last run.

        Where a meter has ``denied`` the flow, short runs that show none either add up: each alone would be too short.
        """
        self.stands_s = self.stands_s if denied else 0.0
        self.crept_c, self.front, self.from_cold = nan, False, False
        self.least_return_c = nan

    def came_back(self, return_c: float) -> bool:
        """Take the return of a running pump [°C]; tell whether warm water has come back in this run."""
        if return_c == return_c and not self.least_return_c <= return_c:
            self.least_return_c = return_c
        return return_c > self.least_return_c + RETURN_ROSE_K

    def update(
        self,
        start_c: float,
        supply_c: float,
        return_c: float,
        core_c: float,
        flow_kg_s: float,
        dt_s: float,
        doubted: bool = False,
    ) -> bool:
        """Take one step of a running pump; return whether the temperatures prove that water moves.

        ``doubted``: the supply alone proves nothing, as water has stood while it was warm.
        """
        span_k = core_c - return_c
        expected_k = expected_rise_k(core_c, return_c, flow_kg_s, self._coil_ua_w_k)
        if self.crept_c != self.crept_c:
            self.from_cold = span_k > TELLING_SPAN_K and supply_c - return_c < FAR_BELOW_SHARE * expected_k
        self._look_for_front(start_c, supply_c, dt_s)
        creeps = self.from_cold and not self.front  # hot water would have come as a front
        if (
            doubted
            or creeps
            or water_stands(start_c if self.front else supply_c, supply_c, return_c, expected_k, span_k)
        ):
            self.stands_s += dt_s
            return False
        self.stands_s = 0.0
        return span_k > TELLING_SPAN_K and supply_c - return_c > FAR_BELOW_SHARE * expected_k

    def _look_for_front(self, start_c: float, supply_c: float, dt_s: float) -> None:
        """Follow the supply no faster than it creeps; what is far from that came with water."""
        if supply_c != supply_c:
            return
        if self.crept_c != self.crept_c:
            self.crept_c = start_c if start_c == start_c else supply_c
        self.crept_c += min(max(supply_c - self.crept_c, -CREEP_K_S * dt_s), CREEP_K_S * dt_s)
        self.front = self.front or abs(supply_c - self.crept_c) > FRONT_K

    def stands(self, tried_before: bool, run_s: float) -> bool:
        """Tell whether it has lasted long enough to act on it; begins to count anew when it has.

        ``tried_before``: a start has shown no flow already. Then the ``run_s`` that the pump has run count too.
        """
        least_s = FIRST_LOOK_S
        if tried_before:
            least_s = AGREED_S if run_s >= LATER_LOOK_S else LATER_LOOK_S
        if self.stands_s < least_s:
            return False
        self.stands_s = 0.0
        return True
