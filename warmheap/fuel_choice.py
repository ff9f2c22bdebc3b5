"""Fuel, efficiency and price as the grower says them: on the command line, or once in the settings file under [fuel]."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from .errors import UsageError
from .fuels import Efficiency, Fuel
from .savings import Price, checked_efficiency, fuel_named

_PRICE = re.compile(r"([0-9]+\.?[0-9]*|\.[0-9]+)\s*([^\s/0-9]{0,8})\s*(?:/\s*(.{1,20}))?")
_UNITS = {
    "gal": "US gal", "us gal": "US gal", "gallon": "US gal", "l": "L", "litre": "L", "liter": "L", "kwh": "kWh",
    "m³": "m3", "ton": "short ton", "pound": "lb",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class FuelSettings:
    """The table [fuel] of the settings file; an empty ``kind`` says that nobody named a fuel."""

    kind: str = ""
    efficiency: Efficiency | None = None
    price: str = ""
    price_date: date | None = None

    @classmethod
    def from_json(cls, told: Mapping[str, Any]) -> FuelSettings:
        """From a dictionary in which the date is a text, or was never given."""
        when = told["price_date"]
        return cls(told["kind"], told["efficiency"], told["price"], date.fromisoformat(when) if when else None)


@dataclass(frozen=True, slots=True)
class Choice:
    """A fuel of the table, the efficiency of the heater it would burn in, and its price where one is known."""

    fuel: Fuel
    efficiency_factor: Efficiency
    price: Price | None


def chosen(told: FuelSettings) -> Choice | None:
    """What was named, checked; None where no fuel was. ``UsageError`` names the key."""
    if not told.kind:
        needless = next((n for n in ("efficiency", "price", "price_date") if getattr(told, n)), None)
        if needless:
            raise UsageError(f"fuel.{needless} goes with fuel.kind: name the fuel that it is of")
        return None
    fuel = fuel_named(told.kind)
    if told.price and told.price_date is None:
        raise UsageError("fuel.price has no date: say in fuel.price_date on which day it was asked, like 2026-02-23")
    price = read_price(told.price, fuel, told.price_date) if told.price else None
    return Choice(fuel, checked_efficiency(fuel, told.efficiency), price)


def read_price(text: str, fuel: Fuel, as_of: date | None, currency: str = "") -> Price:
    """Read "2.66 USD" or "2.66 USD/gal" as the price of one unit of ``fuel``; ``UsageError`` where the unit is another."""
    match = _PRICE.fullmatch(text.strip())
    if match is None:
        raise UsageError(
            f'fuel.price = "{text[:40]}" is no price: write a number with a point and the currency, like "2.66 USD"'
        )
    unit = match[3] and _UNITS.get(match[3].strip().lower(), match[3].strip())
    if unit and unit != fuel.unit:
        raise UsageError(
            f'fuel.price = "{text[:40]}" is for a {unit}, but {fuel.key} is counted in {fuel.unit}: '
            "give the price of that, or choose the fuel by its other unit"
        )
    return Price(float(match[1]), match[2] or currency, as_of)


def overridden(
    kept: FuelSettings, kind: str | None, efficiency: Efficiency | None, price: str | None, price_date: date | None
) -> FuelSettings:
    """The settings file's word with the command line's over it; another fuel brings nothing of the old one along."""
    base = kept if kind in (None, kept.kind) else FuelSettings()
    return FuelSettings(
        kind or base.kind,
        base.efficiency if efficiency is None else efficiency,
        base.price if price is None else price,
        base.price_date if price is None else price_date,
    )
