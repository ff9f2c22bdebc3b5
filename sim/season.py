"""A whole season in closed loop, scored against the same pile left alone."""

from __future__ import annotations

import time
from collections import Counter, OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from math import isfinite, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from controller import Alarm, Commands, Controller, Decision
from sim import score
from sim.history import ROW_S, History
from sim.plant import Plant

if TYPE_CHECKING:
    from sim.policies import Policy
    from sim.rules import Break, Rules
    from sim.scenario import Scenario

Progress = Callable[[float, float], None]  # days done, core temperature now in °C
Judged = Callable[["SeasonResult"], None]

MOST_DAYS = 730.0
PROGRESS_ROWS = 36  # every quarter of a simulated day
STEADY_AFTER_S = 600.0
FLOWING_KG_S = 1e-4
TWIN_TICK_S = 60.0
J_PER_KWH, J_PER_WH = 3.6e6, 3600.0


@dataclass(slots=True)
class Tally:
    """What is counted at every tick because ten-minute rows are too coarse for it."""

    limit_s: dict[str, float] = field(default_factory=dict)
    alarms: Counter[str] = field(default_factory=Counter)
    pumping_s: float = 0.0
    steady_s: float = 0.0
    error2_k2s: float = 0.0

    def note_alarms(self, before: tuple[Alarm, ...], now: tuple[Alarm, ...]) -> None:
        """Count each alarm that was not active at the tick before."""
        self.alarms.update({a.code for a in now} - {a.code for a in before})

    def supply_rmse_c(self) -> float | None:
        """Root mean square of supply minus target, K, while the pump ran steadily; None if it never did."""
        return sqrt(self.error2_k2s / self.steady_s) if self.steady_s else None


@dataclass(frozen=True, slots=True)
class Twin:
    """The same pile, weather and seed, never drawn, so that no pile heat reaches the greenhouse."""

    elapsed_s: NDArray[np.float64]
    core_c: NDArray[np.float64]
    backup_j: NDArray[np.float64]
    made_j: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SeasonResult:
    """A season that was run: its record, its twin's, and what was counted on the way.

    ``days`` is what was asked for; when ``interrupted`` the record is shorter and everything in it stands. ``breaks`` are
    the rules of `sim.rules` that were broken, when the season was watched.
    """

    scenario: Scenario
    policy: str
    seed: int
    days: float
    history: History
    twin: Twin
    tally: Tally
    wall_seconds: float
    interrupted: bool = False
    breaks: tuple[Break, ...] = ()

    def summary(self) -> dict[str, Any]:
        """The season in one JSON-able object; energies in kWh or Wh, None where there is no such figure.

        ``heat_water_kwh`` and ``heat_air_kwh``: delivered above greenhouse air; ``heat_useful_kwh``: their sum while
        the greenhouse was below its ceiling. ``backup_avoided_kwh``: what an ideal heater needs to hold the minimum
        without the pile, less what it needs with it (None when the scenario has no heater). ``core_min_c``: coldest
        true core since the never-drawn twin first reached the starting temperature. ``cold_hours_from_draw``: see
        ``score.cold_hours_from_draw``. ``supply_rmse_c``: rms of true supply minus its target over all ticks at which
        water has flowed for more than ten minutes without a break. ``flow_mean_kg_s``: mean while water flows.
        ``alarms``: how often each code came up.
        """
        h = self.history
        return {
            "scenario": self.scenario.title,
            "policy": self.policy,
            "seed": self.seed,
            "days": round(self._elapsed_s() / score.DAY_S, 4),
            "interrupted": self.interrupted,
            **self._heat(),
            **self._pile(),
            "supply_rmse_c": self.tally.supply_rmse_c(),
            "flow_mean_kg_s": h.total("flow_s_kg") / self.tally.pumping_s if self.tally.pumping_s else 0.0,
            "pump_hours": self.tally.pumping_s / 3600.0,
            "pump_wh": h.total("pump_j") / J_PER_WH,
            "fan_wh": h.total("fan_j") / J_PER_WH,
            "battery_outage_h": h.total("outage_s") / 3600.0,
            "line_frozen_h": h.total("frozen_s") / 3600.0,
            **self._greenhouse(),
            "alarms": [{"code": code, "count": n} for code, n in sorted(self.tally.alarms.items())],
            "limited_by_h": {k: s / 3600.0 for k, s in sorted(self.tally.limit_s.items())},
            "sim_seconds": self._elapsed_s(),
            "wall_seconds": self.wall_seconds,
        }

    def twin_core_c(self) -> NDArray[np.float64]:
        """Core of the never-drawn twin at the rows of ``history``, °C."""
        return np.interp(self.history.elapsed_s, self.twin.elapsed_s, self.twin.core_c)

    def twin_total_j(self, column: NDArray[np.float64]) -> float:
        """A running total of the twin at the end of this season, J."""
        return float(np.interp(self._elapsed_s(), self.twin.elapsed_s, column))

    def backup_without_pile_j(self) -> NDArray[np.float64]:
        """Running total of the ideal heater without the pile, at the rows of ``history``, J."""
        return np.interp(self.history.elapsed_s, self.twin.elapsed_s, self.twin.backup_j)

    def _elapsed_s(self) -> float:
        return float(self.history.elapsed_s[-1])

    def _heat(self) -> dict[str, float | None]:
        h = self.history
        needed_j, with_pile_j = self.twin_total_j(self.twin.backup_j), h.total("backup_j")
        heater = self.scenario.greenhouse.backup
        return {
            "heat_water_kwh": h.total("heat_water_j") / J_PER_KWH,
            "heat_air_kwh": h.total("heat_air_j") / J_PER_KWH,
            "heat_useful_kwh": h.total("heat_useful_j") / J_PER_KWH,
            "backup_avoided_kwh": (needed_j - with_pile_j) / J_PER_KWH if heater else None,
            "backup_kwh": with_pile_j / J_PER_KWH if heater else None,
            "backup_without_pile_kwh": needed_j / J_PER_KWH if heater else None,
            "drawn_kwh": h.total("drawn_j") / J_PER_KWH,
            "heat_made_kwh": h.total("made_j") / J_PER_KWH,
            "heat_made_twin_kwh": self.twin_total_j(self.twin.made_j) / J_PER_KWH,
        }

    def _pile(self) -> dict[str, float]:
        h, twin_core_c = self.history, self.twin_core_c()
        hot_c = self.scenario.controller_settings().start_core_c
        return {
            "core_min_c": score.coldest_once_hot(h["core_c"], twin_core_c, hot_c),
            "twin_core_min_c": score.coldest_once_hot(twin_core_c, twin_core_c, hot_c),
            "core_end_c": float(h["core_c"][-1]),
            "twin_core_end_c": float(twin_core_c[-1]),
            "cold_hours_from_draw": score.cold_hours_from_draw(
                h.elapsed_s, h["core_c"], twin_core_c, h["drawn_j"], h["made_j"]
            ),
        }

    def _greenhouse(self) -> dict[str, float]:
        h, minimum_c = self.history, self.scenario.greenhouse.minimum
        return {
            "greenhouse_min_c": float(h["greenhouse_c"].min()),
            "hours_below_minimum": score.hours_where(h.elapsed_s, h["greenhouse_c"] < minimum_c - 0.5),
        }


def run_season(
    scenario: Scenario,
    controller: Policy,
    days: float = 120,
    seed: int = 1,
    tick_s: float | None = None,
    progress: Progress | None = None,
    watch: bool = False,
) -> SeasonResult:
    """Run ``controller`` on the plant of ``scenario`` for ``days`` and score it.

    The controller is called again after its own ``next_s``, held to 1..60 s, or every ``tick_s`` (1..60 s) when
    given. ``progress`` hears every six simulated hours; it may raise ``KeyboardInterrupt``, which, like Ctrl-C, ends
    the season early with what was computed until then. ``watch``: judge every step of our controller by `sim.rules`;
    other policies promise nothing and are not judged. ``ValueError`` for days or a tick that make no sense.
    """
    _check(days, tick_s)
    twin = twin_of(scenario, seed, days)
    plant, history, tally = Plant(scenario, seed=seed), History(days), Tally()
    target_c = scenario.controller_settings().supply_target_c
    rules = _rules_for(plant, controller) if watch or judged is not None else None
    began, interrupted = time.perf_counter(), False
    try:
        _drive(plant, controller.step, history, tally, days * score.DAY_S, tick_s, target_c, progress, rules)
    except KeyboardInterrupt:
        interrupted = True
    wall_s = time.perf_counter() - began
    breaks = tuple(rules.breaks.values()) if rules else ()
    result = SeasonResult(scenario, _name(controller), seed, days, history, twin, tally, wall_s, interrupted, breaks)
    if judged is not None:
        judged(result)
    return result


judged: Judged | None = None
"""When set, every season in this process is watched and handed to it: the tests do that."""


def _rules_for(plant: object, controller: object) -> Rules | None:
    """The rules for our controller on a real plant."""
    from sim.rules import Rules

    if isinstance(controller, Controller) and isinstance(plant, Plant):
        return Rules(plant, controller.settings)
    return None


def _drive(
    plant: Plant,
    step: Callable[[Any], Decision],
    history: History,
    tally: Tally,
    end_s: float,
    tick_s: float | None,
    target_c: float,
    progress: Progress | None,
    rules: Rules | None = None,
) -> None:
    """The loop. Everything it touches a hundred thousand times is a local name."""
    measure, apply, advance, truth = plant.measure, plant.apply, plant.advance, plant.truth
    limit_s = tally.limit_s
    observe = rules.observe if rules else None
    alarms: tuple[Alarm, ...] = ()
    elapsed_s = row_s = flowing_s = pump_s = fan_s = 0.0
    history.add(0.0, truth, 0.0, 0.0, "")
    next_row_s = ROW_S
    while elapsed_s < end_s:
        decision = step(measure())
        commands, limit = decision.commands, decision.limit
        apply(commands)
        dt_s = tick_s or min(max(decision.next_s, 1.0), 60.0)
        if dt_s > end_s - elapsed_s:
            dt_s = end_s - elapsed_s
        advance(dt_s)
        if observe:
            observe(decision, dt_s)
        elapsed_s += dt_s
        pump_s += commands.pump_duty * dt_s
        fan_s += commands.fan_duty * dt_s
        limit_s[limit] = limit_s.get(limit, 0.0) + dt_s
        if decision.alarms is not alarms:
            tally.note_alarms(alarms, decision.alarms)
            alarms = decision.alarms
        if truth.flow_kg_s > FLOWING_KG_S:
            flowing_s += dt_s
            tally.pumping_s += dt_s
            if flowing_s > STEADY_AFTER_S:
                tally.steady_s += dt_s
                tally.error2_k2s += (truth.supply_c - target_c) ** 2 * dt_s
        else:
            flowing_s = 0.0
        if elapsed_s >= next_row_s or elapsed_s >= end_s:
            span_s = elapsed_s - row_s
            history.add(elapsed_s, truth, pump_s / span_s, fan_s / span_s, limit)
            row_s, pump_s, fan_s = elapsed_s, 0.0, 0.0
            next_row_s += ROW_S
            if progress and len(history) % PROGRESS_ROWS == 0:
                progress(elapsed_s / score.DAY_S, truth.core_c)


_twins: OrderedDict[tuple[str, int], Twin] = OrderedDict()
_TWINS_KEPT = 16


def twin_of(scenario: Scenario, seed: int, days: float) -> Twin:
    """The never-drawn twin, computed once for a scenario and seed in this process; a longer one serves a shorter."""
    key = _twin_key(scenario, seed)
    kept = _twins.get(key)
    if kept is None or kept.elapsed_s[-1] < days * score.DAY_S - 1.0:
        kept = _twins[key] = _run_twin(scenario, seed, days)
    _twins.move_to_end(key)
    while len(_twins) > _TWINS_KEPT:
        _twins.popitem(last=False)
    return kept


def remember_twin(scenario: Scenario, seed: int, twin: Twin) -> None:
    """Keep a twin that another process computed."""
    _twins[_twin_key(scenario, seed)] = twin


def _twin_key(scenario: Scenario, seed: int) -> tuple[str, int]:
    return f"{scenario!r} {scenario.weather_path}", seed


def _run_twin(scenario: Scenario, seed: int, days: float) -> Twin:
    plant, history = Plant(scenario, seed=seed), History(days)
    plant.apply(Commands(0.0, 0.0))
    history.add(0.0, plant.truth, 0.0, 0.0, "off")
    end_s, elapsed_s = days * score.DAY_S, 0.0
    while elapsed_s < end_s:
        row_end_s = min(elapsed_s + ROW_S, end_s)
        while elapsed_s < row_end_s:
            dt_s = min(TWIN_TICK_S, row_end_s - elapsed_s)
            plant.advance(dt_s)
            elapsed_s += dt_s
        history.add(elapsed_s, plant.truth, 0.0, 0.0, "off")
    return Twin(history.elapsed_s.copy(), *(history[c].copy() for c in ("core_c", "backup_j", "made_j")))


def _check(days: float, tick_s: float | None) -> None:
    if not (isfinite(days) and 0.0 < days <= MOST_DAYS):
        raise ValueError(f"days = {days} is outside 0..{MOST_DAYS:.0f}: a season is usually 60 to 180 days")
    if tick_s is not None and not (isfinite(tick_s) and 1.0 <= tick_s <= 60.0):
        raise ValueError(f"tick_s = {tick_s} is outside 1..60 s: leave it out and the controller asks for its own")


def _name(controller: object) -> str:
    if isinstance(controller, Controller):
        return "warmheap"
    return str(getattr(controller, "name", type(controller).__name__))
