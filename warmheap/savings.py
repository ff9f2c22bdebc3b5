"""What heat is worth: fuel and money avoided, with the range, the counterfactual and five ledgers that are never netted.

Avoided fuel = useful heat / (energy content * seasonal efficiency of the heater that did not run). The choice of
efficiency moves the answer by up to 40 %, so every result says which one was used and what the others would give.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from math import isfinite

from .errors import UsageError
from .fuels import FUELS, Efficiency, Fuel

Money = float  # in the currency that was typed
Sold = float  # in the unit that the fuel is sold by

STALE_DAYS = 90
BEST_COP = 6.0  # nothing sold today does better over a season


@dataclass(frozen=True, slots=True)
class Price:
    """What the grower pays for one unit of the fuel, in whose money, and on which day he typed it."""

    per_unit: Money
    currency: str = "USD"
    as_of: date | None = None

    def __post_init__(self) -> None:
        """Refuse what is no price: ``UsageError``."""
        if not (isfinite(self.per_unit) and 0.0 <= self.per_unit <= 1e6):
            raise UsageError(f"fuel.price = {self.per_unit} is outside 0..1,000,000: give the price of one unit")

    def age_days(self, today: date) -> int | None:
        """Days since the price was typed; None where no date was given."""
        return None if self.as_of is None else (today - self.as_of).days

    def warning(self, today: date) -> str:
        """One sentence where the price is undated, old or from the future; "" where it is good."""
        age = self.age_days(today)
        if age is None:
            return "The price has no date: type it again with the day it was paid."
        if age < 0:
            return f"The price is dated {self.as_of}, after today: correct fuel.price_date."
        return f"The price is {age} days old (stale after {STALE_DAYS}): type today's." if age > STALE_DAYS else ""


@dataclass(frozen=True, slots=True)
class Avoided:
    """Fuel and money that a heater did not use. ``low`` and ``high`` carry the heat's range, not the efficiency's.

    ``units``, ``low``, ``high`` are in ``fuel.unit``; money is in the price's currency and None without a price.
    """

    fuel: Fuel
    efficiency: Efficiency
    units: Sold
    low: Sold
    high: Sold
    money: Money | None
    money_low: Money | None
    money_high: Money | None
    price: Price | None
    counterfactual: str
    efficiency_effect: str
    warning: str


@dataclass(frozen=True, slots=True)
class Ledgers:
    """The five accounts, side by side and never netted: heat in kWh, fuel with its range, money and costs apart.

    NaN in a heat column means "not measured", which is neither zero nor filled in.
    """

    out_of_pile_kwh: float
    delivered_kwh: float
    useful_kwh: float
    avoided: Avoided
    costs: Money

    @property
    def money_less_costs(self) -> Money | None:
        """Money avoided less the costs that the grower typed; None without a price."""
        return None if self.avoided.money is None else self.avoided.money - self.costs


def avoided(
    useful_kwh: float,
    low_kwh: float,
    high_kwh: float,
    fuel: Fuel | str,
    efficiency: float | None = None,
    price: Price | None = None,
    today: date | None = None,
) -> Avoided:
    """Fuel and money that ``useful_kwh`` (with its range) kept a heater from using.

    ``fuel`` is a key of ``FUELS`` or a record; ``efficiency`` 0..1 (a heat pump: its COP, up to 6), the usual one where
    None; ``today`` judges the price's age, no judgement where None. ``UsageError`` on what cannot be.
    """
    kind = fuel_named(fuel)
    share = checked_efficiency(kind, efficiency)
    for name, kwh in (("useful_kwh", useful_kwh), ("low_kwh", low_kwh), ("high_kwh", high_kwh)):
        if not isfinite(kwh):
            raise UsageError(f"{name} = {kwh} is no heat: what was not measured is not credited")
    if not low_kwh <= useful_kwh <= high_kwh:
        raise UsageError(f"useful_kwh = {useful_kwh} is outside its own range {low_kwh}..{high_kwh}")
    units, low, high = (kwh / kind.useful_kwh(share) for kwh in (useful_kwh, low_kwh, high_kwh))
    money, money_low, money_high = (_money(u, price) for u in (units, low, high))
    warning = price.warning(today) if price and today else ""
    return Avoided(kind, share, units, low, high, money, money_low, money_high, price,
                   counterfactual(kind, share), efficiency_effect(useful_kwh, kind, share), warning)  # fmt: skip


def fuel_named(fuel: Fuel | str) -> Fuel:
    """The fuel's record; ``UsageError`` names those that are known."""
    if isinstance(fuel, Fuel):
        return fuel
    if fuel not in FUELS:
        raise UsageError(f"fuel.kind = {fuel!r} is not known: choose one of {', '.join(FUELS)}")
    return FUELS[fuel]


def checked_efficiency(fuel: Fuel, efficiency: float | None) -> float:
    """The efficiency to use; above 1 only for electricity, where it is a heat pump's COP."""
    share = fuel.usual_efficiency if efficiency is None else efficiency
    most = BEST_COP if fuel.key == "electricity" else 1.0
    if not (isfinite(share) and 0.1 <= share <= most):
        hint = "a heat pump's COP" if most > 1.0 else "gross (HHV), a ratio above 1 is against the net value"
        raise UsageError(f"fuel.efficiency = {share} is outside 0.1..{most:g}: {hint}")
    return share


def counterfactual(fuel: Fuel, efficiency: float) -> str:
    """What would have happened otherwise, in a sentence: the claim rests on it."""
    heater = "an electric heater" if fuel.key == "electricity" else f"a {fuel.name} heater"
    rate = f"COP {efficiency:.1f}" if efficiency > 1.0 else f"{efficiency:.0%} of the gross energy"
    return f"Without the pile {heater} ({rate}) would have made the same useful heat in the same weather."


def efficiency_effect(useful_kwh: float, fuel: Fuel, efficiency: float) -> str:
    """How far the choice of efficiency moves the answer."""
    others = [e for e in fuel.efficiencies if abs(e - efficiency) > 1e-9]
    if not others:
        return "Another heater's efficiency changes this figure in inverse proportion."
    figures = ", ".join(f"{_short(useful_kwh / fuel.useful_kwh(e))} at {e:.0%}" for e in others)
    return f"With another heater it would be {figures} ({fuel.unit})."


def _money(units: float, price: Price | None) -> float | None:
    return None if price is None else units * price.per_unit


def _short(number: float) -> str:
    return f"{number:,.0f}" if abs(number) >= 100.0 else f"{number:.3g}"
