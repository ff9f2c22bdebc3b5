"""All faults by name."""

from __future__ import annotations

import difflib

from sim.faults import air, pile, power, program, sensors, water
from sim.faults.kinds import FaultKind

GROUPS: dict[str, tuple[FaultKind, ...]] = {
    "pile": pile.KINDS,
    "water loop": water.KINDS,
    "air and house": air.KINDS,
    "power": power.KINDS,
    "sensors": sensors.KINDS,
    "program": program.KINDS,
}
FAULTS: dict[str, FaultKind] = {kind.name: kind for kinds in GROUPS.values() for kind in kinds}


def fault(name: str) -> FaultKind:
    """The fault of that name; ``ValueError`` in one line for an unknown one."""
    if name in FAULTS:
        return FAULTS[name]
    near = difflib.get_close_matches(name, FAULTS, 1)
    raise ValueError(f"fault {name!r} is not known" + (f": did you mean {near[0]}?" if near else ""))
