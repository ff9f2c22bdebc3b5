"""Do energy, water, oxygen and solids add up? Stores now, less stores at the start, less what crossed the border."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sim import layout as at

if TYPE_CHECKING:
    from sim.plant import Plant

Floats = NDArray[np.float64]


def _sum(y: Floats, first: int, size: int = at.SHELLS) -> float:
    return float(y[first : first + size].sum())


def stored_heat_j(y: Floats, p: Floats) -> float:
    """Enthalpy of pile, soil, water and greenhouse above liquid water and dry air at 0 degC."""
    ring = float(y[at.Y_RING : at.Y_RING + at.RING] @ p[at.P_RING_MASS : at.P_RING_MASS + at.RING])
    blocks = _sum(y, at.Y_HEAT) + _sum(y, at.Y_GROUND, 2) + _sum(y, at.Y_SKIN, at.SKINS)
    return blocks + ring + float(y[at.Y_DRUM] + y[at.Y_AIR] + y[at.Y_MASS] + y[at.Y_POND])


def heat_balance(plant: Plant) -> tuple[float, float]:
    """Unexplained change of stored heat, and the throughput it is to be judged against. ([J], [J])"""
    led, p = plant.ledger, plant.params
    gained = (
        led[at.L_MADE] + led[at.L_BIO_SENSIBLE] - led[at.L_SURFACE] - led[at.L_DEEP] + led[at.L_AIR_IN]
        - led[at.L_AIR_OUT] - led[at.L_FAN_OUT] + led[at.L_RAIN] - led[at.L_LEACH] - led[at.L_LINE_LOSS]
        + led[at.L_SUN] - led[at.L_COVER] + led[at.L_HOUSE_IN] - led[at.L_HOUSE_OUT] + led[at.L_AIR_TO_HOUSE]
        + led[at.L_PLANT_WATER] + led[at.L_BACKUP]
    )  # fmt: skip
    change = stored_heat_j(plant.state, p) - stored_heat_j(plant.first_state, p)
    through = led[at.L_MADE] + led[at.L_AIR_IN] + led[at.L_SUN] + led[at.L_HOUSE_IN] + led[at.L_BACKUP]
    return float(change - gained), float(abs(through))


def duct_balance(plant: Plant) -> tuple[float, float]:
    """Enthalpy that left the pile by the fan, less what the duct lost and what entered the greenhouse. ([J], [J])"""
    led = plant.ledger
    return float(led[at.L_FAN_OUT] - led[at.L_DUCT_LOSS] - led[at.L_AIR_TO_HOUSE]), float(abs(led[at.L_FAN_OUT]))


def water_balance(plant: Plant) -> tuple[float, float]:
    """The same for the water of the pile. ([kg], [kg])"""
    led = plant.ledger
    gained = (
        led[at.L_WATER_BIO] + led[at.L_WATER_RAIN] - led[at.L_WATER_LEACH] + led[at.L_WATER_AIR_IN]
        - led[at.L_WATER_AIR_OUT] - led[at.L_WATER_FAN]
    )  # fmt: skip
    change = _sum(plant.state, at.Y_WATER) - _sum(plant.first_state, at.Y_WATER)
    return float(change - gained), float(led[at.L_WATER_BIO] + led[at.L_WATER_AIR_IN] + led[at.L_WATER_RAIN])


def vapour_balance(plant: Plant) -> tuple[float, float]:
    """The same for the vapour in the greenhouse. ([kg], [kg])"""
    led = plant.ledger
    gained = led[at.L_VAPOUR_IN] - led[at.L_VAPOUR_OUT] + led[at.L_VAPOUR_PLANTS] - led[at.L_VAPOUR_CONDENSED]
    change = plant.state[at.Y_VAPOUR] - plant.first_state[at.Y_VAPOUR]
    return float(change - gained), float(led[at.L_VAPOUR_IN])


def oxygen_balance(plant: Plant) -> tuple[float, float]:
    """The same for the oxygen in the pores. ([kg], [kg])"""
    led = plant.ledger
    gained = led[at.L_OXYGEN_IN] - led[at.L_OXYGEN_OUT] - led[at.L_OXYGEN_USED]
    change = _sum(plant.state, at.Y_OXYGEN) - _sum(plant.first_state, at.Y_OXYGEN)
    return float(change - gained), float(led[at.L_OXYGEN_IN])


def solids_balance(plant: Plant) -> tuple[float, float]:
    """The same for degradable solids, and that their loss used the oxygen booked. ([kg], [kg])"""
    change = sum(_sum(plant.state, b) - _sum(plant.first_state, b) for b in (at.Y_FAST, at.Y_SLOW))
    return float(change + plant.ledger[at.L_SOLIDS_USED]), float(plant.ledger[at.L_SOLIDS_USED])


BALANCES = {
    "heat": heat_balance,
    "duct": duct_balance,
    "water": water_balance,
    "vapour": vapour_balance,
    "oxygen": oxygen_balance,
    "solids": solids_balance,
}


def worst_imbalance(plant: Plant) -> tuple[str, float]:
    """The balance that closes worst, and its error relative to its throughput."""
    errors = {
        name: abs(gap) / max(through, 1e-9) for name, balance in BALANCES.items() for gap, through in [balance(plant)]
    }
    name = max(errors, key=lambda key: errors[key])
    return name, errors[name]
