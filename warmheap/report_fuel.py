"""Fuel and money for the useful heat of a record, with its interval; `warmheap.savings` knows what may be claimed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from math import hypot

from . import savings
from .fuels import Fuel
from .heat_error import Heat

Money = float  # in the currency that was typed
Sold = float  # in the unit the fuel is sold by
EFFICIENCY_DOUBT = 0.05  # half a 95 % interval, as a share: nobody measures his heater (own judgement)


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the grower typed: fuel, efficiency 0..1, price of a unit with its date, costs of the season."""

    fuel: Fuel
    efficiency_factor: float
    price: savings.Price | None = None
    costs: Money = 0.0


@dataclass(frozen=True, slots=True)
class Avoided:
    """Fuel and money with half their 95 % intervals; ``money`` is before the costs, ``left`` after."""

    units: Sold
    half_units: Sold
    money: Money | None
    half_money: Money | None
    left: Money | None
    counterfactual: str
    efficiency_effect: str
    warning: str


def avoided(useful: Heat, wanted: Wanted, today: date) -> Avoided:
    """What a heater did not burn for ``useful`` heat, with the doubt of the heat and of the efficiency."""
    low, high = useful.kwh - useful.half_kwh, useful.kwh + useful.half_kwh
    found = savings.avoided(useful.kwh, low, high, wanted.fuel, wanted.efficiency_factor, wanted.price, today)
    half = hypot((found.high - found.low) / 2.0, EFFICIENCY_DOUBT * found.units)
    money = found.money
    return Avoided(
        found.units,
        half,
        money,
        None if wanted.price is None else half * wanted.price.per_unit,
        None if money is None else money - wanted.costs,
        found.counterfactual,
        found.efficiency_effect,
        found.warning,
    )
