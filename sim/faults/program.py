"""What goes wrong with the program and its clock, as far as the plant feels it. `sim.episodes` plays the program's part."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sim.faults.kinds import HANG, KILL, KILL_AFRESH, Amount, FaultKind, Proof

if TYPE_CHECKING:
    from sim.faults.plant import FaultyPlant

WATCHDOG = "nothing in the controller: the guardian and the service manager see it"


def _step(world: FaultyPlant, amount: Amount, age_s: float) -> None:
    world.tap(time_s=lambda m: m.time_s + amount)


def _clock(world: FaultyPlant) -> float:
    return world.measure().time_s


def _nothing(world: FaultyPlant) -> float:
    """Program faults bite in the loop, which counts the time without a controller."""
    return float("nan")


IN_THE_LOOP = Proof("time without a controller", _nothing, 1.0)
KINDS = (
    *(
        FaultKind(
            f"clock-{name}", (33,), f"The clock leaps {word}.",
            "Control by time that only runs forward; flag the money log.", "seconds",
            mild, harsh, Proof("time stamps move", _clock, 1.0), alter=_step,
            would_tell="nothing needed: the loop's own clock never leaps", shortest_h=1.0,
        )
        for name, word, mild, harsh in (("ahead", "ahead", 120.0, 86400.0), ("back", "back", -120.0, -86400.0))
    ),
    FaultKind(
        "loop-killed", (31,), "The program dies; it is started again and goes on from its last record.",
        "Outputs off within their lease; go on where it was.", "minutes until it is back", 0.4, 60.0, IN_THE_LOOP,
        program=KILL,
        would_tell=WATCHDOG, shortest_h=1.0, longest_h=2.0,
    ),
    FaultKind(
        "loop-killed-afresh", (32,), "The program dies and comes back without its memory: the card was lost.",
        "Safe defaults; hold off until the pile has proved hot.", "minutes until it is back", 0.4, 60.0, IN_THE_LOOP,
        program=KILL_AFRESH,
        would_tell=WATCHDOG, shortest_h=1.0, longest_h=2.0,
    ),
    FaultKind(
        "loop-hung", (31,), "The program hangs; outputs fall off with their lease; later it goes on with old readings.",
        "Outputs off within their lease; no leap after it.", "minutes it hangs", 1.0, 180.0, IN_THE_LOOP, program=HANG,
        would_tell=WATCHDOG, shortest_h=1.0, longest_h=4.0,
    ),
)  # fmt: skip
