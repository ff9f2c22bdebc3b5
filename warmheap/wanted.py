"""How much of the delivered heat was wanted: one rule for report and page, which must not load the controller for it."""

from __future__ import annotations


def wanted_share(part_j: float, whole_j: float) -> float:
    """Share of a flow that ``part_j`` of its heat ``whole_j`` [J] came with, 0..1.

    Where heat that was given back makes the part larger than the whole, or of the other sign, all of it: loss and doubt
    are then charged in full.
    """
    if not part_j:
        return 0.0
    share = part_j / whole_j if whole_j else 1.0
    return share if 0.0 <= share <= 1.0 else 1.0


def wanted_j(part_j: float, whole_j: float, loss_j: float) -> float:
    """Heat delivered while it was wanted [J]: ``part_j`` of ``whole_j``, less its share of what the line lost."""
    return part_j - wanted_share(part_j, whole_j) * loss_j
