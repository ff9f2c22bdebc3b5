"""A ledger of a simulated season, as fast as the simulator runs: to see the report before a winter is over."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .ledger import Ledger, Statement
from .ledger_clerk import Clerk
from .loop import LONGEST_S, SHORTEST_S, Tick

if TYPE_CHECKING:
    from controller import Controller
    from sim import Plant

BATCH = 5000


def write_season(
    path: Path, plant: Plant, controller: Controller, days: float, watch: Callable[[Any], None] | None = None
) -> None:
    """Run ``controller`` on ``plant`` for ``days`` and write what the board would have written, dated by the plant's clock.

    ``watch`` sees the plant after every step. ``LedgerError`` when the file cannot be written.
    """
    ledger, clerk = Ledger(path), Clerk()
    waiting: list[Statement] = clerk.begins(controller, plant.time_s)
    end_s = plant.time_s + 86400.0 * days
    while plant.time_s < end_s:
        m = plant.measure()
        decision = controller.step(m)
        plant.apply(decision.commands)
        waiting += clerk.tick(Tick(m, decision, 0.0, 0.0), m.time_s)
        waiting += clerk.alarms(decision.alarms, m.time_s)[0]
        plant.advance(min(max(decision.next_s, SHORTEST_S), LONGEST_S, end_s - m.time_s))
        if watch:
            watch(plant)
        if len(waiting) >= BATCH:
            ledger.write(waiting)
            waiting = []
    ledger.write(waiting)
    ledger.roll_up(to_the_end=True)
    ledger.close()
