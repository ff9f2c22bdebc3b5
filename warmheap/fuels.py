"""Fuels as they are sold: how much energy a unit holds, where that figure is from, and efficiencies to choose from.

All contents are gross (higher heating value, HHV), as US tables give them. European boilers are often rated against the
net value (LHV): such an efficiency, which can exceed 1, does not belong here.
"""

from __future__ import annotations

from dataclasses import dataclass

from .units import BTU_J, FOOT_M, GALLON_M3, HOUR_S, POUND_KG

Efficiency = float  # useful heat by gross energy, 0..1; a heat pump's COP is above 1

KWH_J = 1000.0 * HOUR_S
BTU_KWH = BTU_J / KWH_J
LITRE_M3 = 1e-3

_EIA = "US Energy Information Administration, energy conversion calculators (values as copied by a secondary page)"
_EIA_PAGE = "US Energy Information Administration, units and calculators"
_UCONN = "University of Connecticut Extension, Comparing Fuel Costs (Bartok, updated 2013)"

PROPANE_BTU_GAL = 91_452.0
THERM_BTU = 100_000.0
GAS_BTU_FT3 = 1_037.0
OIL_BTU_GAL = 138_500.0  # with 15 to 500 ppm sulfur
LOW_SULFUR_OIL_BTU_GAL = 137_381.0  # at most 15 ppm: what most of the US sells by now
HARDWOOD_BTU_CORD, SOFTWOOD_BTU_CORD = 20e6, 12e6
PELLETS_BTU_LB = 8_200.0
PROPANE_MJ_KG = 50.35
BOILER_EFFICIENCIES = (0.65, 0.80, 0.93)  # gravity-vented, power-vented or separated, condensing


@dataclass(frozen=True, slots=True)
class Fuel:
    """One fuel in one unit of sale. ``content_kwh`` is gross energy a unit; ``efficiencies`` are seasonal, 0..1."""

    key: str
    name: str
    unit: str
    content_kwh: float
    efficiencies: tuple[Efficiency, ...]
    usual_efficiency: Efficiency
    source: str

    def useful_kwh(self, efficiency: float) -> float:
        """Heat that a unit brings at this seasonal efficiency, kWh."""
        return self.content_kwh * efficiency


def _gas_and_propane() -> tuple[Fuel, ...]:
    def boiler(key: str, name: str, unit: str, kwh: float, source: str) -> Fuel:
        return Fuel(key, name, unit, kwh, BOILER_EFFICIENCIES, 0.80, source)

    gallon_kwh = PROPANE_BTU_GAL * BTU_KWH
    gas_kwh_m3 = GAS_BTU_FT3 * BTU_KWH / FOOT_M**3
    return (
        boiler("propane", "propane", "US gal", gallon_kwh, _EIA),
        boiler("propane-l", "propane", "L", gallon_kwh * LITRE_M3 / GALLON_M3, _EIA),
        boiler("propane-kg", "propane", "kg", PROPANE_MJ_KG * 1e6 / KWH_J, "gross heat of combustion, from memory"),
        boiler("gas", "natural gas", "therm", THERM_BTU * BTU_KWH, _EIA),
        boiler("gas-ccf", "natural gas", "ccf", 100.0 * GAS_BTU_FT3 * BTU_KWH, _EIA),
        boiler("gas-m3", "natural gas", "m3", gas_kwh_m3, _EIA),
        boiler("gas-kwh", "natural gas", "kWh", 1.0, "by definition; most bills state gross kWh"),
    )


def _oil_and_electricity() -> tuple[Fuel, ...]:
    gallon_kwh, low_sulfur_kwh = OIL_BTU_GAL * BTU_KWH, LOW_SULFUR_OIL_BTU_GAL * BTU_KWH
    efficiencies = (0.70, 0.75, 0.85)
    return (
        Fuel("oil", "heating oil", "US gal", gallon_kwh, efficiencies, 0.75, _EIA),
        Fuel(
            "oil-low-sulfur",
            "low-sulfur heating oil",
            "US gal",
            low_sulfur_kwh,
            efficiencies,
            0.75,
            _EIA_PAGE,
        ),
        Fuel("oil-l", "heating oil", "L", gallon_kwh * LITRE_M3 / GALLON_M3, efficiencies, 0.75, _EIA),
        Fuel("electricity", "electricity", "kWh", 1.0, (1.0,), 1.0, "by definition; a heat pump's COP is typed in"),
    )


def _wood() -> tuple[Fuel, ...]:
    pound_kwh = PELLETS_BTU_LB * BTU_KWH
    stove, burner = (0.60,), (0.80,)
    return (
        Fuel("hardwood", "hardwood", "cord", HARDWOOD_BTU_CORD * BTU_KWH, stove, 0.60, _UCONN),
        Fuel("softwood", "softwood", "cord", SOFTWOOD_BTU_CORD * BTU_KWH, stove, 0.60, _UCONN),
        Fuel("pellets", "wood pellets", "lb", pound_kwh, burner, 0.80, _UCONN),
        Fuel("pellets-ton", "wood pellets", "short ton", 2000.0 * pound_kwh, burner, 0.80, _UCONN),
        Fuel("pellets-kg", "wood pellets", "kg", pound_kwh / POUND_KG, burner, 0.80, _UCONN),
    )


FUELS: dict[str, Fuel] = {f.key: f for f in (*_gas_and_propane(), *_oil_and_electricity(), *_wood())}
