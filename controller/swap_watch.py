"""Have supply and return probe changed places? Told from which way the water warms, over all draws.

At the start of a draw what stood in the line may pass the probes the wrong way round for seconds, and where much flows
through a small loop both soon read alike: so the time of one order is weighed against that of the other.
"""

from __future__ import annotations

from controller.guards import SWAPPED_K, probes_swapped
from controller.memory import Memory

TOLD_S, MOST_S = 120.0, 600.0  # of the wrong order beyond the right one (own judgement)


class SwapWatch(Memory):
    """For how long moving water came the wrong way round, less the time it came the right way [s]."""

    __slots__ = ("wrong_s",)

    def __init__(self) -> None:
        self.wrong_s = 0.0

    @property
    def swapped(self) -> bool:
        """Whether the two seem to have changed places."""
        return self.wrong_s >= TOLD_S

    def update(self, flow_kg_s: float, supply_c: float, return_c: float, core_c: float, dt_s: float) -> None:
        """Take one step; water that stands, or of which little is known, says nothing."""
        if probes_swapped(flow_kg_s, supply_c, return_c, core_c):
            self.wrong_s = min(self.wrong_s + dt_s, MOST_S)
        elif flow_kg_s > 0.0 and supply_c > return_c + SWAPPED_K:
            self.wrong_s = max(0.0, self.wrong_s - dt_s)

    def forget(self) -> None:
        """The water stood after all."""
        self.wrong_s = 0.0
