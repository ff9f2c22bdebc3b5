"""Quantity strings of the settings file ("1 gal/min", "113 degF") as SI floats, and back.

A table of the units a grower writes, each with its exact factor; tests hold every one against pint. pint itself stays off
the board: loading it and its registry takes more memory (30 MB) than controller, board and loop together.
Gallons are US gallons. Water flows by volume are taken at 1000 kg/m3, air flows at 1.2 kg/m3.
"""

from __future__ import annotations

import re
from math import inf, isfinite

FOOT_M, POUND_KG, GALLON_M3 = 0.3048, 0.45359237, 3.785411784e-3  # exact by definition (NIST SP 811, appendix B)
BTU_J = 1055.05585262  # International Table Btu, NIST SP 811
WATER_KG_M3, AIR_KG_M3 = 1000.0, 1.2
MINUTE_S, HOUR_S, DAY_S = 60.0, 3600.0, 86400.0

Units = dict[str, float]

_VOLUMES: Units = {
    "m3": 1.0, "L": 1e-3, "l": 1e-3, "gal": GALLON_M3, "ft3": FOOT_M**3, "yd3": (3 * FOOT_M) ** 3,
}  # fmt: skip
_MASSES: Units = {"kg": 1.0, "t": 1000.0, "lb": POUND_KG}
_TIMES: Units = {
    "s": 1.0, "min": MINUTE_S, "h": HOUR_S, "hour": HOUR_S, "hours": HOUR_S, "d": DAY_S, "day": DAY_S, "days": DAY_S,
}  # fmt: skip
_RATES: Units = {name: _TIMES[name] for name in ("s", "min", "h", "hour", "d", "day")}


def _flows(volumes: Units, kg_m3: float) -> Units:
    by_mass = {f"{m}/{t}": kg / s for m, kg in _MASSES.items() for t, s in _RATES.items()}
    by_volume = {f"{v}/{t}": m3 * kg_m3 / s for v, m3 in volumes.items() for t, s in _RATES.items()}
    return by_mass | by_volume


# For each kind: what it is called, how to write it, and its units. The first unit is the one that SI values are shown in.
KINDS: dict[str, tuple[str, str, Units]] = {
    "1": ("a share", '0.25 or "25 %"', {"": 1.0, "%": 0.01}),
    "kg/kg": ("a share", '0.6 or "60 %"', {"": 1.0, "%": 0.01}),
    "mol/mol": ("a share of the air", '"1200 ppm"', {"ppm": 1e-6, "%": 0.01, "": 1.0}),
    "degC": ("a temperature", '"45 degC" or "113 degF"', {}),
    "K": ("a temperature difference", '"0.5 K"', {"K": 1.0, "delta_degC": 1.0, "delta_degF": 5 / 9}),
    "kg/s": ("a flow of water", '"1 gal/min" or "4 L/min"', _flows(_VOLUMES, WATER_KG_M3) | {
        "gpm": GALLON_M3 * WATER_KG_M3 / MINUTE_S
    }),
    "kg/s air": ("a flow of air", '"130 cfm" or "220 m3/h"', _flows(_VOLUMES, AIR_KG_M3) | {
        "cfm": FOOT_M**3 * AIR_KG_M3 / MINUTE_S
    }),
    "s": ("a time", '"24 h" or "90 s"', _TIMES),
    "kg": ("a mass", '"8000 kg" or "9 t"', _MASSES),
    "m3": ("a volume", '"55 gal" or "208 L"', _VOLUMES),
    "W/K": ("a heat transfer per kelvin", '"250 W/K"', {
        "W/K": 1.0, "kW/K": 1000.0, "BTU/h/degF": BTU_J / HOUR_S * 1.8
    }),
    "W": ("a power", '"60 W"', {"W": 1.0, "kW": 1000.0, "BTU/h": BTU_J / HOUR_S, "MBH": 1000.0 * BTU_J / HOUR_S}),
    "J": ("an amount of heat", '"12 kWh" or "41000 BTU"', {
        "kWh": 3.6e6, "Wh": 3600.0, "MJ": 1e6, "J": 1.0, "BTU": BTU_J, "MMBTU": 1e6 * BTU_J, "therm": 1e5 * BTU_J
    }),
    "V": ("a voltage", '"12.4 V"', {"V": 1.0, "mV": 1e-3}),
    "A": ("a current", '"2 A"', {"A": 1.0, "mA": 1e-3}),
    "Hz": ("a frequency", '"100 Hz" or "25 kHz"', {"Hz": 1.0, "kHz": 1000.0}),
    "1/kg": ("pulses per volume of water", '"450 1/L"', {
        f"{one}/{v}": 1.0 / (m3 * WATER_KG_M3) for v, m3 in (("L", 1e-3), ("l", 1e-3), ("gal", GALLON_M3))
        for one in ("1", "pulses")
    }),
}  # fmt: skip
_CELSIUS = {"degC": (1.0, 0.0), "degF": (5 / 9, -160 / 9)}
_OTHER_NAMES = {
    "°C": "degC", "°F": "degF", "C": "degC", "F": "degF", "²": "2", "³": "3", "m^3": "m3", "GPM": "gpm", "CFM": "cfm",
    "minute": "min", "minutes": "min", "second": "s", "sec": "s", "litre": "L", "liter": "L", "litres": "L", "liters": "L",
    "gallon": "gal", "gallons": "gal", "Btu": "BTU", "MMBtu": "MMBTU",
}  # fmt: skip
_NUMBER = re.compile(r"([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)\s*(.*)", re.DOTALL)
_LONGEST = 60


class QuantityError(ValueError):
    """A text is no quantity of the wanted kind; the message says what is allowed."""


def to_si(value: object, kind: str) -> float:
    """Read a quantity string as a float in the SI unit of ``kind`` (a key of ``KINDS``).

    A bare number stands only where "" is among the units. ``QuantityError`` says what is wanted.
    """
    what, example, _ = KINDS[kind]
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        number, unit = _float(value), ""
    elif isinstance(value, str):
        number, unit = _split(value, kind)
    else:
        raise QuantityError(f"must be {what}, like {example}")
    si = _converted(number, unit, kind)
    if not isfinite(si):
        raise QuantityError(f"is not finite: must be {what}, like {example}")
    return si


def _float(value: float) -> float:
    try:
        return float(value)
    except OverflowError:  # a whole number of hundreds of digits
        return inf


def from_si(value: float, kind: str, unit: str | None = None) -> str:
    """Write an SI value as a quantity string, in ``unit`` if that belongs to the kind, else in its first unit."""
    units = _CELSIUS if kind == "degC" else {name: (f, 0.0) for name, f in KINDS[kind][2].items()}
    name = canonical(unit) if unit is not None else ""
    if unit is None or name not in units:
        name = _shown_in(value, kind, next(iter(units)))
    factor, offset = units[name]
    return f"{_short((value - offset) / factor)} {name}".strip()


def unit_of(value: object) -> str | None:
    """The unit that a quantity was written in; None for anything else."""
    match = _NUMBER.fullmatch(value.strip()) if isinstance(value, str) and len(value) <= _LONGEST else None
    return match[2].strip() if match else None


def canonical(unit: str) -> str:
    """The name of a unit in the tables above."""
    for other, name in (("²", "2"), ("³", "3"), ("**", ""), (" ", "")):
        unit = unit.replace(other, name)
    return "/".join(_OTHER_NAMES.get(part, part) for part in unit.split("/"))


def _shown_in(value: float, kind: str, first: str) -> str:
    """The unit that reads best when nobody asked for one."""
    if kind == "s":
        return "h" if abs(value) >= 2 * HOUR_S else "s"
    return "L" if kind == "m3" and 0.0 < abs(value) < 1.0 else first


def _short(number: float) -> str:
    return f"{number:.6g}"


def _split(text: str, kind: str) -> tuple[float, str]:
    what, example, _ = KINDS[kind]
    match = _NUMBER.fullmatch(text.strip()) if len(text) <= _LONGEST else None
    if match is None:
        raise QuantityError(f"does not begin with a number: must be {what}, like {example}")
    if re.match(r",\d", match[2]):
        raise QuantityError("has a comma: write decimals with a point")
    return float(match[1]), match[2].strip()


def _converted(number: float, unit: str, kind: str) -> float:
    what, example, units = KINDS[kind]
    name = canonical(unit)
    if kind == "degC" and name in _CELSIUS:
        factor, offset = _CELSIUS[name]
        return number * factor + offset
    if name in units:
        return number * units[name]
    why = f'the unit "{unit}" does not fit' if unit else "has no unit"
    raise QuantityError(f"{why}: must be {what}, like {example}")
