"""Has the draw chilled the material round the coil, which belongs to the core, while the core probe still reads hot?

A probe pushed in beside the coil's reach can read 65 degC for weeks over a coil that lies in 30 degC. The water tells: what
stood in the pile comes out as warm as the coil lies, and a long draw as warm as the coil can make it. What flows first
owes some of its warmth to drum and coil: it shows a chill, but never that there is none.
"""

from __future__ import annotations

from controller.memory import Memory

FROM_K = 5.0  # beyond the correction for where the probe lies: less may be a weaker coil (own judgement)
# In a long draw the skin of compost on the coil cools first, by as much as heat goes through it: not all of that is a chill
SKIN_SHARE = 0.6  # of the drop from the bed to the water, as the set coil would have it (own judgement)
LEAST_SKIN_K, MOST_SKIN_K = 3.0, 7.0
FOLLOWS = 0.3  # of the gap, with every draw that is judged
LONG_S = 3600.0  # of a long draw, until most of what its water shows is believed (own judgement)
BED_SHARE = 0.3  # of the pile, from which the coil takes its heat within a day (own judgement)
GONE_S = 2 * 86400.0  # how fast warmth comes back to it (own judgement)


class Chill(Memory):
    """How much colder the core is than probe and correction say [K]."""

    __slots__ = ("k",)

    def __init__(self) -> None:
        self.k = 0.0

    def pass_time(self, dt_s: float) -> None:
        """Let warmth come back."""
        self.k *= GONE_S / (GONE_S + dt_s)

    def reckon(self, cooled_k: float) -> None:
        """Take a draw that no water shows, by which it cooled the whole pile [K]: the coil's bed cooled more."""
        self.k += cooled_k / BED_SHARE

    def judge(self, believed_c: float, stood_c: float, by_coil_c: float) -> None:
        """Compare the ``believed_c`` core without this chill with the water, once it has passed coil and drum [degC].

        ``stood_c``: the core that the water which had stood there shows; ``by_coil_c``: the core with which the coil makes
        what flows now. A coil without a store brings no hot water first, and with much flow never any: so the warmer of both
        verdicts counts for a chill, and only hot water that stood there against it.
        """
        warmest_c = by_coil_c if by_coil_c > stood_c else stood_c
        at_least_k, at_most_k = _chill_k(believed_c, warmest_c), _chill_k(believed_c, stood_c)
        if self.k < at_least_k:
            self.k += FOLLOWS * (at_least_k - self.k)
        elif self.k > at_most_k:
            self.k += FOLLOWS * (at_most_k - self.k)

    def follow(self, believed_c: float, by_coil_c: float, drop_k: float, dt_s: float) -> None:
        """Take one step of a long draw; ``by_coil_c`` is NaN for no such draw.

        ``drop_k``: from the bed to the water, the heat drawn over the set conductance of the coil.
        """
        shown_k = _chill_k(believed_c, by_coil_c, min(max(SKIN_SHARE * drop_k, LEAST_SKIN_K), MOST_SKIN_K))
        if shown_k > self.k:
            self.k += (shown_k - self.k) * dt_s / (LONG_S + dt_s)


def _chill_k(believed_c: float, shown_c: float, from_k: float = FROM_K) -> float:
    """The chill that a core of ``shown_c`` means [K]; NaN for one that is not shown."""
    return max(believed_c - shown_c - from_k, 0.0)
