"""The clairvoyant: a draw law with perfect sight of the pile, its constants searched with the season known beforehand.

It reads the true core and the true greenhouse air, knows pump and coil, and is tuned on the very season it is judged
on, weather and all. It is the yardstick of the controller's harvest. It is a search over one family of laws, so the
true best may be higher (a lower estimate of the best); `heat_ceiling_kwh` gives a bound that no law can pass.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import differential_evolution

from sim import score
from sim.biology import HEAT_PER_OXYGEN, OXYGEN_PER_SOLID
from sim.compiled import njit
from sim.greenhouse import air_temperature
from sim.kernel import advance
from sim.layout import *  # noqa: F403  indices only
from sim.plant import Plant
from sim.season import J_PER_KWH, twin_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sim.scenario import Scenario

TICK_S = 60.0
ROW_TICKS = 10
START_CORE_C = 50.0  # hold off until the core has been this hot once, as the controller must
COLD_HOUR_PRICE_KWH = 20.0  # in the search only: any law with cold hours loses against one without

# --- constants of the law, with the bounds of the search
(K_FLOOR, K_FLOOR_SLOPE, K_WIDTH, K_OFFSET, K_BAND, K_DUTY, K_FAN_CORE, K_FAN_SHARE, K_LAST_DAY) = range(9)
BOUNDS = (
    (45.3, 65.0),  # core at which the draw ends, at the start [degC]
    (-12.0, 6.0),  # how far that point moves until the end [K]
    (0.5, 14.0),  # band over which the draw fades [K]
    (-0.2, 0.3),  # greenhouse above its minimum at which the draw ends [K]
    (0.1, 1.5),  # band over which the need grows [K]
    (0.02, 0.5),  # pump duty at full need, above the smallest that runs
    (52.0, 68.0),  # core above which the fan helps
    (0.0, 0.5),  # share of time it then runs while the greenhouse needs heat
    (3.0, 240.0),  # last day with any draw: a pile that dies this winter must be left alone early
)
GUESS = (46.5, -1.0, 8.0, 0.0, 0.2, 0.1, 66.0, 0.0, 130.0)
COLUMNS = ("core_c", "drawn_j", "made_j")


@njit()
def run_law(law, ticks, y, p, flags, ledger, table, sensors, lagged, work, start_s, rows):
    """Run a whole season of one-minute steps under the law; fills a row of (core, drawn, made) every ten minutes."""
    hot = False
    draws = False
    for tick in range(ticks):
        core = flags[G_CORE_C]
        hot = (hot or core > START_CORE_C) and TICK_S * tick < 86400.0 * law[K_LAST_DAY]
        house_c = air_temperature(y[Y_AIR], p[P_HOUSE_AIR_KG], y[Y_VAPOUR])
        need = (p[P_HOUSE_MIN] + law[K_OFFSET] + law[K_BAND] - house_c) / law[K_BAND]
        floor = law[K_FLOOR] + law[K_FLOOR_SLOPE] * tick / ticks
        give = min(min(need, 1.0), (core - floor) / law[K_WIDTH])
        draws = hot and (give > 0.0 if draws else give > 0.15)
        volts = max(flags[G_VOLTS_PUMP], 6.0) / 12.0
        pump = 0.0
        if draws:
            pump = (p[P_PUMP_RUN] * 1.03 + law[K_DUTY] * max(give, 0.0)) / volts
            if flags[G_PUMP_RUNS] < 0.5:
                pump = max(pump, 1.02 * p[P_PUMP_START] / volts)
        fan = 1.0 if hot and need > 0.5 and core > law[K_FAN_CORE] and (tick % 20) < 20.0 * law[K_FAN_SHARE] else 0.0
        if not draws and tick % 10 == 0 and freezes_now(y):
            pump = 1.05 * p[P_PUMP_START] / volts  # it sees where ice begins, and moves water then only
        advance(y, p, flags, ledger, table, sensors, lagged, work, start_s + TICK_S * tick, TICK_S, min(pump, 1.0), fan)
        if (tick + 1) % ROW_TICKS == 0:
            row = (tick + 1) // ROW_TICKS
            rows[row, 0], rows[row, 1], rows[row, 2] = flags[G_CORE_C], ledger[L_DRAWN], ledger[L_MADE]


@njit(inline="always")
def freezes_now(y):
    """Whether ice has begun to form anywhere in the pipes."""
    coldest = 1e9
    for cell in range(RING_SUPPLY, RING):
        coldest = min(coldest, y[Y_RING + cell])
    return coldest < 0.0


@dataclass(frozen=True)
class Best:
    """What the best law found gave, with its constants."""

    backup_avoided_kwh: float
    heat_useful_kwh: float
    cold_hours: float
    core_min_c: float
    law: tuple[float, ...]


def play(scenario: Scenario, law: NDArray[np.float64], days: float, seed: int) -> Best:
    """Run one law over the season and score it like any policy."""
    plant, ticks = Plant(scenario, seed), int(days * 86400.0 / TICK_S)
    rows = np.zeros((ticks // ROW_TICKS + 1, len(COLUMNS)))
    rows[0, 0] = plant.truth.core_c
    run_law(
        law, ticks, plant.state, plant.params, plant.flags, plant.ledger, plant.table, plant.sensors, plant._lagged,
        plant._work, plant._table_start_s, rows,
    )  # fmt: skip
    twin = twin_of(scenario, seed, days)
    elapsed_s = TICK_S * ROW_TICKS * np.arange(len(rows))
    twin_c = np.interp(elapsed_s, twin.elapsed_s, twin.core_c)
    needed_j = float(np.interp(elapsed_s[-1], twin.elapsed_s, twin.backup_j))
    cold = score.cold_hours_from_draw(elapsed_s, rows[:, 0], twin_c, rows[:, 1], rows[:, 2])
    return Best(
        (needed_j - plant.truth.backup_j) / J_PER_KWH,
        plant.truth.heat_useful_j / J_PER_KWH,
        cold,
        score.coldest_once_hot(rows[:, 0], twin_c, START_CORE_C),
        tuple(float(v) for v in law),
    )


def search(scenario: Scenario, days: float = 120, seed: int = 1, rounds: int = 8, crowd: int = 2) -> Best:
    """Search the law that avoids most backup heat without a cold hour.

    Differential evolution (SciPy) from a good guess, ``crowd`` candidates a constant and ``rounds`` generations;
    the same seed gives the same answer.
    """

    def cost(law: NDArray[np.float64]) -> float:
        got = play(scenario, np.asarray(law), days, seed)
        return COLD_HOUR_PRICE_KWH * got.cold_hours - got.backup_avoided_kwh

    found = differential_evolution(
        cost, BOUNDS, maxiter=rounds, popsize=crowd, seed=seed, x0=np.array(GUESS), polish=False, init="sobol", tol=0.0
    )
    return play(scenario, found.x, days, seed)


def heat_ceiling_kwh(scenario: Scenario, days: float = 120) -> float:
    """A bound on the heat any law can draw: all quick and slow solids rotting at their best all season. [kWh]

    Losses are left out altogether, so it is loose (a factor of two to four); it is a certificate, not a forecast.
    """
    pile = scenario.pile
    dry_kg = pile.wet_mass_kg * (1.0 - pile.moisture)
    span_s = days * 86400.0
    gone = pile.fast_fraction * (1.0 - np.exp(-pile.fast_rate * span_s))
    gone += pile.slow_fraction * (1.0 - np.exp(-pile.slow_rate * span_s))
    return float(dry_kg * gone * OXYGEN_PER_SOLID * HEAT_PER_OXYGEN / J_PER_KWH)
