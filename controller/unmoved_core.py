"""A core reading that never changes while heat is drawn: it may be held by a stuck probe or gateway.

Days must pass before such a probe can be called stuck, since a digital one may repeat a value for hours in a pile that lies
still. But a draw moves the core within hours, so what was read before says less and less; and what seemed to balance the
draw is no heat made.
"""

from __future__ import annotations

from controller.memory import Memory

SAME_S = 2 * 3600.0
TOLD_S = 12 * 3600.0
# Of the whole pile that is an eighth of a kelvin, of its core more, and a digital probe shows a sixteenth (own judgement).
DRAWN_J_KG = 400.0


class UnmovedCore(Memory):
    """For how long the core reading has been doubted so [s]."""

    __slots__ = ("_telling_j", "doubt_s", "drawn_j")

    def __init__(self, wet_mass_kg: float) -> None:
        self._telling_j = DRAWN_J_KG * wet_mass_kg
        self.drawn_j = 0.0
        self.doubt_s = 0.0

    @property
    def told(self) -> bool:
        """Whether the doubt has lasted so long that the grower shall look at the probe."""
        return self.doubt_s >= TOLD_S

    def update(self, same_s: float, drawn_w: float, dt_s: float) -> bool:
        """Take one step: for how long the reading has been the same to the last bit, and the draw; return the doubt."""
        if same_s <= 0.0:
            self.drawn_j = self.doubt_s = 0.0
            return False
        self.drawn_j += max(drawn_w, 0.0) * dt_s
        if same_s > SAME_S and self.drawn_j > self._telling_j:
            self.doubt_s += dt_s
        return self.doubt_s > 0.0
