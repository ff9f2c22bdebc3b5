"""Has the draw chilled the material round the coil, which belongs to the core, while the core probe still reads hot?

A probe pushed in beside the coil's reach can read 65 degC for weeks over a coil that lies in 30 degC. The water tells, from
both sides: what stood in the pile comes out as warm as the coil lies, which is colder than the core while draws follow each
other; and what flows first owes some of its warmth to the store, so that the coil seems to lie warmer than it does.
"""

from __future__ import annotations

from controller.memory import Memory

FROM_K = 5.0  # beyond the correction for where the probe lies: less may be a weaker coil (own judgement)
FOLLOWS = 0.5  # of the gap, with every draw that is judged
HALFWAY = 0.5  # between both verdicts lay the true core of simulated piles, or a little above (own judgement)
GONE_S = 2 * 86400.0  # how fast warmth comes back to it (own judgement)


class Chill(Memory):
    """How much colder the core is than probe and correction say [K]."""

    __slots__ = ("k",)

    def __init__(self) -> None:
        self.k = 0.0

    def pass_time(self, dt_s: float) -> None:
        """Let warmth come back."""
        self.k *= GONE_S / (GONE_S + dt_s)

    def judge(self, believed_c: float, stood_c: float, by_coil_c: float) -> None:
        """Compare the ``believed_c`` core without this chill with the water, once it has passed coil and drum [degC].

        ``stood_c``: the core that the water which had stood there shows; ``by_coil_c``: the core with which the coil makes
        what flows now. Where the coil makes more than what stood, the core lies halfway.
        """
        shown_c = stood_c + HALFWAY * (by_coil_c - stood_c) if by_coil_c > stood_c else stood_c
        self.k += FOLLOWS * (max(believed_c - shown_c - FROM_K, 0.0) - self.k)
