"""The few ways in which faults change a plant, as small makers of ``alter`` and ``strike`` functions, and what proofs
look at."""

from __future__ import annotations

from collections.abc import Callable
from math import isfinite, nan
from typing import TYPE_CHECKING

import numpy as np

from sim import layout as at
from sim.faults.kinds import Alter, Amount, Look
from sim.kernel import C_DROPOUT, C_FALSE_VALUE, C_GAIN, C_GAIN_NOISE, C_GLITCH, C_NOISE, C_OFFSET
from sim.media import CP_WATER
from sim.params import CHANNEL_KIND_ORDER

if TYPE_CHECKING:
    from sim.faults.plant import FaultyPlant

READINGS = 60  # taken for one look at a sensor


def scaled(first: int, size: int = 1) -> Alter:
    """Multiply parameters by the amount."""

    def alter(world: FaultyPlant, amount: Amount, age_s: float) -> None:
        world.plant.params[first : first + size] *= amount

    return alter


def set_to(*places: int) -> Alter:
    """Set parameters to the amount."""

    def alter(world: FaultyPlant, amount: Amount, age_s: float) -> None:
        for place in places:
            world.plant.params[place] = amount

    return alter


def both(*parts: Alter) -> Alter:
    """Do several changes."""

    def alter(world: FaultyPlant, amount: Amount, age_s: float) -> None:
        for part in parts:
            part(world, amount, age_s)

    return alter


def fixed(part: Alter, amount: Amount) -> Alter:
    """A change whose amount does not follow the fault's."""
    return lambda world, _, age_s: part(world, amount, age_s)


def wire(side: str, change: Callable[[Amount], Callable[[float], float]]) -> Alter:
    """Put something between the command and the motor of ``side``."""
    return lambda world, amount, age_s: world.wires[side].append(change(amount))


def shells(first: int) -> slice:
    """The block of one value a shell."""
    return slice(first, first + at.SHELLS)


def capacity_j_k(world: FaultyPlant) -> np.ndarray:
    """Heat capacity of each shell, (SHELLS,). [J/K]"""
    y, p = world.plant.state, world.plant.params
    solids = p[shells(at.P_SHELL_SOLIDS)] + y[shells(at.Y_FAST)] + y[shells(at.Y_SLOW)]
    return solids * p[at.P_SOLID_CP] + np.maximum(y[shells(at.Y_WATER)], 0.0) * CP_WATER


def warm(world: FaultyPlant, by_k: np.ndarray | float) -> None:
    """Warm every shell, and the skin with the inner ones, by so many kelvin. Shells stay above 1 degC."""
    y, p = world.plant.state, world.plant.params
    now_c = world.plant.shell_temperatures_c()
    by = np.maximum(np.broadcast_to(by_k, now_c.shape), 1.0 - now_c)
    y[shells(at.Y_HEAT)] += capacity_j_k(world) * by
    y[at.Y_SKIN : at.Y_SKIN + at.SKINS] += p[at.P_SKIN_CAPACITY] * by[0]
    world.plant.flags[at.G_STABLE_S] = 1.0


def add_water(world: FaultyPlant, kg: np.ndarray, water_c: float | None) -> None:
    """Add water (or take it, when negative) to the shells, at its own temperature or, for None, at the shell's."""
    y = world.plant.state
    now_c = world.plant.shell_temperatures_c() if water_c is None else np.full(at.SHELLS, water_c)
    kg = np.maximum(kg, -0.95 * y[shells(at.Y_WATER)])
    y[shells(at.Y_WATER)] += kg
    y[shells(at.Y_HEAT)] += kg * CP_WATER * now_c
    world.plant.flags[at.G_STABLE_S] = 1.0


def row(name: str) -> int:
    """The sensor table's row of a field of ``Measurements``."""
    return CHANNEL_KIND_ORDER.index(name)


# --- what a probe can do
def silent(name: str) -> Alter:
    """No reading at all for the amount (a probability) of all readings."""

    def alter(world: FaultyPlant, amount: Amount, age_s: float) -> None:
        world.plant.sensors[row(name), C_DROPOUT] = amount

    return alter


def offset(name: str) -> Alter:
    """The amount is added to every reading."""

    def alter(world: FaultyPlant, amount: Amount, age_s: float) -> None:
        world.plant.sensors[row(name), C_OFFSET] += amount

    return alter


def drift(name: str) -> Alter:
    """The reading moves by the amount a day."""

    def alter(world: FaultyPlant, amount: Amount, age_s: float) -> None:
        world.plant.sensors[row(name), C_OFFSET] += amount * age_s / 86400.0

    return alter


def noisy(name: str) -> Alter:
    """The amount is the standard deviation of a reading."""

    def alter(world: FaultyPlant, amount: Amount, age_s: float) -> None:
        world.plant.sensors[row(name), C_NOISE] = amount

    return alter


def false_code(name: str, value: float) -> Alter:
    """The amount is the share of readings that are a false code."""

    def alter(world: FaultyPlant, amount: Amount, age_s: float) -> None:
        world.plant.sensors[row(name), C_GLITCH] = amount
        world.plant.sensors[row(name), C_FALSE_VALUE] = value

    return alter


def gained(name: str) -> Alter:
    """Every reading is the amount times what it should be."""

    def alter(world: FaultyPlant, amount: Amount, age_s: float) -> None:
        world.plant.sensors[row(name), C_GAIN] *= amount
        world.plant.sensors[row(name), C_GAIN_NOISE] *= amount

    return alter


def stuck(name: str) -> Alter:
    """The reading stays what it was when the fault began, the amount away from it; a silent probe stays silent."""

    def alter(world: FaultyPlant, amount: Amount, age_s: float) -> None:
        def held(m: object) -> float:
            now = getattr(m, name)
            if not isfinite(now):
                return nan
            return world.held.setdefault(name, now + amount)

        world.tap(**{name: held})

    return alter


# --- what proofs look at
def params_at(first: int, size: int = 1) -> Look:
    """The sum of parameters."""
    return lambda world: float(world.plant.params[first : first + size].sum())


def flag_at(place: int) -> Look:
    """One flag."""
    return lambda world: float(world.plant.flags[place])


def ledger_at(place: int) -> Look:
    """One running total."""
    return lambda world: float(world.plant.ledger[place])


def state_at(first: int, size: int = 1) -> Look:
    """The sum of states."""
    return lambda world: float(world.plant.state[first : first + size].sum())


def true(name: str) -> Look:
    """A name of the plant's truth."""
    return lambda world: float(getattr(world.truth, name))


def reading(name: str) -> Look:
    """The mean of many readings; NaN when none is there."""

    def look(world: FaultyPlant) -> float:
        values = [v for v in _read(world, name) if isfinite(v)]
        return float(np.mean(values)) if values else nan

    return look


def scatter(name: str) -> Look:
    """The standard deviation of many readings."""

    def look(world: FaultyPlant) -> float:
        values = [v for v in _read(world, name) if isfinite(v)]
        return float(np.std(values)) if values else nan

    return look


def missing(name: str) -> Look:
    """The share of readings that are missing."""
    return lambda world: float(np.mean([not isfinite(v) for v in _read(world, name)]))


def coded(name: str, value: float) -> Look:
    """The share of readings that are a false code."""
    return lambda world: float(np.mean([v == value for v in _read(world, name)]))


def wander(name: str) -> Look:
    """How far the reading moves while the true value is moved by 5 K (or a volt) under the probe."""

    def look(world: FaultyPlant) -> float:
        first = reading(name)(world)
        world.plant._lagged[row(name)] += 5.0
        return reading(name)(world) - first

    return look


def panel_w(column: int) -> Look:
    """Mean power of a panel over the ten days to come. [W]"""

    def look(world: FaultyPlant) -> float:
        plant = world.plant
        first = int((plant._table_start_s + plant._elapsed_s) // 3600.0)
        hours = np.arange(first, first + 240) % len(plant.table)
        return float(plant.table[hours, column].mean())

    return look


def _read(world: FaultyPlant, name: str) -> list[float]:
    return [getattr(world.measure(), name) for _ in range(READINGS)]
