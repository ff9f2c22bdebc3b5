"""Fuel and money for useful heat, at the grower's own efficiency and price."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from .heat_error import Heat

Money = float  # in the currency that was typed
Sold = float  # in the unit the fuel is sold by
STALE_DAYS = 90  # own judgement
EFFICIENCY_DOUBT = 0.05  # half a 95 % interval, as a share: nobody measures his heater (own judgement)


@dataclass(frozen=True, slots=True)
class Fuel:
    """A fuel as it is sold: gross energy of one unit, and the usual efficiency of a heater for it.

    Energy contents: U.S. Energy Information Administration, units and calculators (propane 91,452 Btu a gallon, heating oil
    137,381 Btu a gallon, natural gas 100,000 Btu a therm, electricity 3,412 Btu a kWh). Wood: 20 million Btu a cord of
    hardwood, and efficiencies: University of Connecticut, "Comparing fuel costs" (J. Bartok, 2013). Pellets: 8,200 Btu a
    pound, there too.
    """

    name: str
    unit: str
    content_kwh: float
    usual_factor: float


BTU_KWH = 1055.05585262 / 3.6e6
FUELS = {
    f.name: f
    for f in (
        Fuel("propane", "US gal", 91_452 * BTU_KWH, 0.80),
        Fuel("oil", "US gal", 137_381 * BTU_KWH, 0.75),
        Fuel("gas", "therm", 100_000 * BTU_KWH, 0.80),
        Fuel("electricity", "kWh", 1.0, 1.0),
        Fuel("hardwood", "cord", 20e6 * BTU_KWH, 0.60),
        Fuel("pellets", "lb", 8_200 * BTU_KWH, 0.80),
    )
}


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the grower typed: fuel, efficiency 0..1, price of a unit with its date, costs of the season."""

    fuel: Fuel
    efficiency_factor: float
    price: Money | None = None
    currency: str = ""
    price_date: date | None = None
    costs: Money = 0.0


@dataclass(frozen=True, slots=True)
class Avoided:
    """Fuel units and money with half their 95 % intervals; ``money`` is before ``costs``, ``left`` after."""

    units: Sold
    half_units: Sold
    money: Money | None
    half_money: Money | None
    left: Money | None
    stale: bool


def avoided(useful: Heat, wanted: Wanted, today: date) -> Avoided:
    """What an own heater would have burnt for ``useful`` heat, with the doubt of the heat and of the efficiency."""
    unit_kwh = wanted.fuel.content_kwh * wanted.efficiency_factor
    units = useful.kwh / unit_kwh
    half = ((useful.half_kwh / unit_kwh) ** 2 + (EFFICIENCY_DOUBT * units) ** 2) ** 0.5
    stale = wanted.price_date is not None and (today - wanted.price_date).days > STALE_DAYS
    if wanted.price is None:
        return Avoided(units, half, None, None, None, stale)
    money = units * wanted.price
    return Avoided(units, half, money, half * wanted.price, money - wanted.costs, stale)
