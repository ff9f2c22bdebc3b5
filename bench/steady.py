"""Steady draw after commissioning alone, on random plants: does the water come out at its target, and at the flow asked for?

    python bench/steady.py [--plants 50] [--first 0] [--hours 12] [--uncommissioned]

Each plant (``bench/commission.py``: pile, coil, pump, fan, line, probes up to 50 % off their design) is commissioned on the
simulator by a session that knows the design. Only what the session learned is then given to the controller, which draws for
``--hours`` at one supply target. So that the loops are measured and not the season's thrift, the pile's headroom counts
as full as long as the core is above its floor, and leave to draw is given from the start.

What counts is *carried* draw: the pump runs, ``PASSED`` coil contents have come through since it started and
``SETTLED_S`` more have gone by; and since ``HELD_S`` the flow that holds the supply decides: the limit is "supply" and
the flow asked for is below the flow target and above what the pump can hold at least. There the true supply at the
pile is compared with the target, and the true flow with the flow asked for. Where the limit is "flow" the water is
warmer than its target at the full flow: only the flow is judged there. A guard that ends carried draw counts as tripped.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from controller import Controller, ControllerSettings
from controller.checks import Readings
from controller.draw import HEADROOM_MAX_K
from controller.view import View
from sim import Scenario
from warmheap.commission_sim import commission, warmed_up
from warmheap.learned import applied, taken
from warmheap.settings_file import Settings

sys.path.insert(0, str(Path(__file__).parents[1]))
from bench.commission import SCENARIO, plant

SETTLED_S, HELD_S = 1200.0, 600.0
PASSED = 1.3
TARGET_C, TARGET_KG_S = 42.0, 0.126
BELOW = 0.98  # of what is allowed: no limit decides
SUPPLY_RMS_K, FLOW_SHARE, FLOW_ROWS = 0.5, 0.05, 0.95
LEAST_CARRIED_S = 1200.0
HOUR_S = 3600.0
SPARE = 1.05  # over the pump's least steady flow: below, the pump pulses the flow and not the controller
GUARDS = ("scald", "no-flow", "battery", "tank", "sensor", "stalled")
DATE = "2026-01-01T00:00+00:00"


class Held(NamedTuple):
    """What came of one plant: ``carried_s`` of settled draw held by the supply, errors in K, shares of the time."""

    number: int
    carried_s: float
    supply_rms_k: float
    read_rms_k: float
    flow_within: float
    flow_s: float
    learned: bool
    guards: tuple[str, ...]

    @property
    def verdict(self) -> str:
        """Whether the plant holds, misses, or never carried a steady draw."""
        if self.carried_s < LEAST_CARRIED_S and self.flow_s < LEAST_CARRIED_S:
            return "not carried"
        supply = self.carried_s < LEAST_CARRIED_S or self.supply_rms_k <= SUPPLY_RMS_K
        return "holds" if supply and self.flow_within >= FLOW_ROWS else "misses"


class Willing(Controller):
    """The controller on a pile that is taken to bear any draw above its floor."""

    def _look(self, r: Readings) -> View:
        v = super()._look(r)
        if v.core_c > self.settings.pile_floor_c:
            v.room_k = HEADROOM_MAX_K
        return v

    def _ration(self, r: Readings, v: View) -> None:
        super()._ration(r, v)
        v.may_draw = v.drawing


class Drawn:
    """The rows of one run: time, limit, true supply, supply as read, true flow, flow asked for, step."""

    def __init__(self, settings: ControllerSettings) -> None:
        self.rows: list[tuple[float, str, float, float, float, float, float]] = []
        self.guards: list[str] = []
        self._settings = settings
        self._through_s = self._held_s = self._passed_kg = 0.0
        self._carried = False

    def note(self, controller: Controller, limit: str, dt_s: float, seen: Any, read_c: float, now_s: float) -> None:
        """Add a step of ``dt_s`` that has just passed, if the draw was carried all through."""
        runs = controller.loop.running and seen.flow_kg_s > 0.0
        self._passed_kg = self._passed_kg + seen.flow_kg_s * dt_s if runs else 0.0
        through = self._passed_kg >= PASSED * max(self._settings.coil_water_kg, 50.0)
        self._through_s = self._through_s + dt_s if through else 0.0
        self._held_s = self._held_s + dt_s if runs and self._decides(controller, limit) else 0.0
        if self._carried and limit in GUARDS and limit not in self.guards:
            self.guards.append(limit)
        self._carried = self._through_s >= SETTLED_S and self._held_s >= HELD_S
        if self._carried:
            asked = controller.loop.asked_kg_s
            self.rows.append((now_s, limit, seen.supply_c, read_c, seen.flow_kg_s, asked, dt_s))

    def _decides(self, controller: Controller, limit: str) -> bool:
        """Whether the loop alone decides: neither pile nor pump nor scald limit."""
        asked, target = controller.loop.asked_kg_s, self._settings.flow_target_kg_s
        if limit == "flow":
            return True
        return limit == "supply" and SPARE * controller.pump.least_flow_kg_s <= asked <= BELOW * target


def settings_after(scenario: Scenario, known: ControllerSettings, seed: int, core_k: float) -> tuple[Settings, bool]:
    """The settings as ``warmheap run`` has them after a session; and whether the supply loop's gains are among them."""
    done = commission(scenario, known, seed, core_k=core_k)
    file = Settings(known, None, "")
    kept = taken(done.learned, file, DATE)
    return applied(file, kept.document)[0], "supply_loop_gain_per_k" in kept.document.settings


def drawn(scenario: Scenario, settings: ControllerSettings, seed: int, hours: float) -> Drawn:
    """Draw from a warm pile for ``hours``, for a house that always wants all (its thermometer reads the crop's minimum)."""
    ready = replace(settings, start_hold_s=0.0)
    there, controller, kept = warmed_up(scenario, seed), Willing(ready), Drawn(ready)
    seen: Any = there.truth
    end_s = there.time_s + hours * HOUR_S
    while there.time_s < end_s:
        read = replace(there.measure(), greenhouse_c=settings.greenhouse_min_c)
        decision = controller.step(read)
        there.apply(decision.commands)
        there.advance(decision.next_s)
        kept.note(controller, decision.limit, decision.next_s, seen, read.water_supply_c, there.time_s)
    return kept


def judged(number: int, rows: list[tuple[Any, ...]], target_c: float, learned: bool, guards: list[str]) -> Held:
    """Compare what counts with the goals."""
    if not rows:
        return Held(number, 0.0, float("nan"), float("nan"), float("nan"), 0.0, learned, tuple(guards))
    limit = np.array([row[1] for row in rows])
    true_c, read_c, flow, asked, dt_s = (np.array([row[k] for row in rows], dtype=float) for k in range(2, 7))
    held = limit == "supply"
    within = float(np.mean(np.abs(flow / asked - 1.0) <= FLOW_SHARE))
    rms = [
        float(np.sqrt(np.nanmean((x[held] - target_c) ** 2))) if held.any() else float("nan") for x in (true_c, read_c)
    ]
    return Held(number, dt_s[held].sum(), *rms, within, dt_s[~held].sum(), learned, tuple(guards))


def one(base: Scenario, number: int, args: argparse.Namespace) -> tuple[Held, list[tuple[Any, ...]]]:
    """One plant from design to verdict."""
    scenario, known = plant(base, number)
    known = replace(known, supply_target_c=args.target_c, flow_target_kg_s=args.flow_kg_s)
    settings, learned = known, False
    if not args.uncommissioned:
        file, learned = settings_after(scenario, known, number, args.core_k)
        settings = file.controller
    kept = drawn(scenario, settings, number, args.hours)
    return judged(number, kept.rows, settings.supply_target_c, learned, kept.guards), kept.rows


def told(h: Held) -> str:
    """One line on a plant."""
    old = "" if h.learned else "; old supply gains"
    return (
        f"plant {h.number}: {h.verdict}; held {h.carried_s / HOUR_S:.1f} h at rms {h.supply_rms_k:.2f} K (as read"
        f" {h.read_rms_k:.2f}), {h.flow_s / HOUR_S:.1f} h at full flow; flow within 5 % in {h.flow_within:.1%}{old}"
        f"{'; guards: ' if h.guards else ''}{' '.join(h.guards)}"
    )


def show(found: list[Held], wall_s: float) -> None:
    """Print the share that holds."""
    counts = {word: sum(h.verdict == word for h in found) for word in ("holds", "misses", "not carried")}
    rms = np.array([h.supply_rms_k for h in found if h.carried_s >= LEAST_CARRIED_S])
    flow = np.array([h.flow_within for h in found if h.verdict != "not carried"])
    print(f"{len(found)} plants, {wall_s:.0f} s: " + ", ".join(f"{count} {word}" for word, count in counts.items()))
    print(
        f"supply gains learned on {sum(h.learned for h in found)}; guards decided on {sum(bool(h.guards) for h in found)}"
    )
    if rms.size:
        held = np.sum(rms <= SUPPLY_RMS_K)
        print(
            f"supply rms error {np.median(rms):.2f} K median, {rms.max():.2f} K most; <= 0.5 K on {held} of {rms.size}"
        )
        print(f"flow within 5 % of what was asked for on {np.sum(flow >= FLOW_ROWS)} of {flow.size}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--plants", type=int, default=50)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--hours", type=float, default=12.0)
    parser.add_argument("--target-c", type=float, default=TARGET_C)
    parser.add_argument("--flow-kg-s", type=float, default=TARGET_KG_S)
    parser.add_argument("--core-k", type=float, default=2.0)
    parser.add_argument(
        "--uncommissioned", action="store_true", help="with what the grower knows beforehand, for comparison"
    )
    parser.add_argument("--rows", type=Path, help="JSON file for the rows that count")
    args = parser.parse_args()
    base, began = Scenario.load(SCENARIO), time.perf_counter()
    done = []
    for number in range(args.first, args.first + args.plants):
        done.append(one(base, number, args))
        print(told(done[-1][0]), flush=True)
    show([held for held, _ in done], time.perf_counter() - began)
    if args.rows:
        args.rows.write_text(json.dumps({held.number: rows for held, rows in done}))


if __name__ == "__main__":
    main()
