"""How sure the booked heat is: from sensor accuracy to "412 ± 35 kWh".

Law of propagation of uncertainty with independent causes, coverage factor 2 for 95 % (JCGM 100:2008, "GUM", equations 10
and 18). Each cause is systematic: one probe is off by the same kelvin all winter. So its effect is its size times the
*summed* sensitivity, and a longer season does not make it smaller.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import floor, hypot, isfinite, log10, sqrt
from typing import NamedTuple

from controller.media import WATER_J_KG_K

from .wanted import wanted_j, wanted_share

COVERAGE = 2.0
J_PER_KWH = 3.6e6


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Standard uncertainties (one sigma) of what the heat is worked out from. Half of a sheet's "±".

    ``probe_k``: each temperature probe; 0.25 for the usual ±0.5 K, 0.05 once both probes were matched at zero draw.
    ``meter_factor``, ``curve_factor``, ``fan_factor``, ``line_factor``: shares of the flow by meter, by the pump's curve,
    of the fan's full flow, and of the line's loss. ``rh``: each humidity sensor. Lags: of a probe on a pipe, of one in
    the duct.
    Values without a sheet are own judgement.
    """

    probe_k: float = 0.25
    meter_factor: float = 0.05
    curve_factor: float = 0.15
    fan_factor: float = 0.20
    line_factor: float = 0.25
    rh: float = 0.03
    water_lag_s: float = 10.0
    air_lag_s: float = 20.0

    def matched(self) -> Accuracy:
        """With supply and return probes matched at zero draw, to ±0.1 K each."""
        return replace(self, probe_k=0.05)

    def bucketed(self) -> Accuracy:
        """With the meter checked by bucket and watch, to ±3 %."""
        return replace(self, meter_factor=0.015)


class Heat(NamedTuple):
    """An amount of heat and half its 95 % interval [kWh]."""

    kwh: float
    half_kwh: float

    def __str__(self) -> str:
        return f"{plus_minus(self.kwh, self.half_kwh)} kWh"

    def holds(self, truth_kwh: float) -> bool:
        """Tell whether the interval holds ``truth_kwh``."""
        return abs(truth_kwh - self.kwh) <= self.half_kwh

    def plus(self, other: Heat) -> Heat:
        """Both together, with independent causes."""
        return Heat(self.kwh + other.kwh, hypot(self.half_kwh, other.half_kwh))


def _heat(joules: float, *effects_j: float) -> Heat:
    half_j = COVERAGE * sqrt(sum(e * e for e in effects_j))
    return Heat(joules / J_PER_KWH, half_j / J_PER_KWH)


Sums = Mapping[str, float]


def _water_effects(s: Sums, a: Accuracy) -> tuple[float, ...]:
    kg = s["water_kg"] + s["water_est_kg"]
    return (
        sqrt(2.0) * a.probe_k * WATER_J_KG_K * kg,
        a.meter_factor * s["water_j"],
        a.curve_factor * s["water_est_j"],
        a.water_lag_s * s["lag_j_s"],
    )


def water_out(s: Sums, a: Accuracy) -> Heat:
    """Taken out of the pile by water, at the pile's probes. ``s`` are sums of the columns of `warmheap.heat_book.Booked`."""
    return _heat(s["water_j"] + s["water_est_j"], *_water_effects(s, a))


def water_delivered(s: Sums, a: Accuracy) -> Heat:
    """What of it reached the greenhouse: less what the line loses, which nobody measures."""
    loss_j = s["line_loss_j"]
    return _heat(s["water_j"] + s["water_est_j"] - loss_j, *_water_effects(s, a), a.line_factor * loss_j)


def air_delivered(s: Sums, a: Accuracy) -> Heat:
    """Brought by the fan, above greenhouse air, at the duct's end."""
    return _heat(
        s["air_j"],
        a.fan_factor * s["air_j"],
        a.probe_k * s["duct_j_k"],
        a.probe_k * s["house_j_k"],
        a.rh * s["duct_rh_j"],
        a.rh * s["house_rh_j"],
        a.air_lag_s * s["duct_lag_j_s"],
    )


def water_useful(s: Sums, a: Accuracy) -> Heat:
    """The part delivered by water while the house was below its ceiling."""
    return _wanted(water_delivered(s, a), s["water_useful_j"], s["water_j"] + s["water_est_j"], s["line_loss_j"])


def air_useful(s: Sums, a: Accuracy) -> Heat:
    """The part brought by air while the house was below its ceiling."""
    return _wanted(air_delivered(s, a), s["air_useful_j"], s["air_j"], 0.0)


def _wanted(whole: Heat, part_j: float, whole_j: float, loss_j: float) -> Heat:
    return Heat(wanted_j(part_j, whole_j, loss_j) / J_PER_KWH, whole.half_kwh * wanted_share(part_j, whole_j))


def useful(s: Sums, a: Accuracy) -> Heat:
    """Delivered while it was wanted, by water and air."""
    return water_useful(s, a).plus(air_useful(s, a))


def plus_minus(value: float, half: float) -> str:
    """``value ± half``, both cut at the second digit of ``half``: no digit is shown that means nothing."""
    if not (isfinite(value) and isfinite(half)):
        return "unknown"
    places = max(0, 1 - floor(log10(half))) if half > 0.0 else 1
    places = min(places, 2)
    step = 10.0 ** max(0, floor(log10(half)) - 1) if half >= 10.0 else 1.0
    if places == 0:
        return f"{round(value / step) * step:,.0f} ± {round(half / step) * step:,.0f}"
    return f"{value:,.{places}f} ± {half:,.{places}f}"
