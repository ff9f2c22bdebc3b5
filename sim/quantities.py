"""Quantity strings such as "14 m3" or "130 degF", read into SI floats and kept within bounds."""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any

import pint
from pydantic import GetCoreSchemaHandler, ValidationInfo
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

_NUMBER = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*", re.DOTALL)
# Only names, small whole powers and products get through to pint: "9**9**9" would keep it busy for ever.
_UNIT_PART = re.compile(
    r"(?P<name>[^\W\d_](?:[^\W\d]|(?<=H)2(?=O))*|°[CF]|%)(?P<power>(?:\*\*|\^)?-?[1-4]|[²³])?|[*/ ·()]|1(?!\d)"
)
_POWERS = {"²": "**2", "³": "**3"}
_LONGEST = 60

# Units that pint counts as pure numbers. Mixed silently they turn 2700 rpm into 283 1/s and 60 % into 34 deg.
_ANGLES = frozenset({"degree", "radian", "turn"})
_PARTS = frozenset({"percent", "permille", "ppm"})

# What a wrong unit is answered with: the kind of quantity the field holds, and one or two ways to write it.
_KINDS = {
    "": ("a plain number", '0.6 or "60 %"'),
    "m": ("a length", '"25 m" or "80 ft"'),
    "m2": ("an area", '"45 m2" or "480 ft2"'),
    "m3": ("a volume", '"14 m3", "18 yd3" or "55 gal"'),
    "kg": ("a mass", '"500 kg" or "1100 lb"'),
    "kg/m3": ("a density", '"570 kg/m3" or "960 lb/yd3"'),
    "kg/s": ("a mass flow", '"0.02 kg/s" or "160 lb/hour"'),
    "m3/s": ("a volume flow", '"130 cfm", "1 gal/min" or "4 L/min"'),
    "1/s": ("a rate", '"0.6 1/hour" or "0.06 1/day"'),
    "1/m": ("a rate per speed", '"0.05 1/hour/(m/s)"'),
    "s": ("a time", '"25 s" or "5 min"'),
    "degC": ("a temperature reading", '"12 degC" or "54 degF"'),
    "K": ("a temperature difference", '"5 K" or "9 delta_degF"'),
    "W": ("a power", '"60 W"'),
    "W/K": ("a heat loss or transfer per kelvin", '"80 W/K"'),
    "W/m/K": ("a heat transfer per metre and kelvin", '"0.35 W/m/K"'),
    "W/m2/K": ("a U-value", '"4 W/m2/K" or "0.7 BTU/hour/ft2/degF"'),
    "m2 K/W": ("a thermal resistance", '"0.3 m2 K/W" or "2 ft2 hour degF/BTU"'),
    "J/K": ("a heat capacity", '"4 MJ/K"'),
    "Pa": ("a pressure", '"120 Pa" or "0.5 inH2O"'),
    "A s": ("a battery size", '"100 A h"'),
    "V": ("a voltage", '"12.6 V"'),
    "ohm": ("a resistance", '"0.02 ohm"'),
    "deg": ("an angle", '"60 deg"'),
}


class QuantityError(ValueError):
    """A text is no quantity of the wanted kind; the message says what is allowed."""


def printable(text: str) -> str:
    """Keep ``text`` to one printable line, whatever a file or a path held: error messages go through this."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


@cache
def registry() -> pint.UnitRegistry[float]:
    """The one unit registry, built when first needed (0.1 s)."""
    units: pint.UnitRegistry[float] = pint.UnitRegistry()
    # pint reads "cfm" as centifermi and gives rpm in radians: both would be silently wrong.
    units.define("cubic_foot_per_minute = foot ** 3 / minute = cfm = CFM")
    units.define("gallon_per_minute = gallon / minute = gpm = GPM")
    units.define("revolutions_per_minute = 1 / minute = rpm")
    return units


def _unit_text(text: str) -> str:
    """Give ``text`` as pint expects it ("m3" as "m**3"); refuse what is no plain product of units."""
    out, position = [], 0
    while position < len(text):
        match = _UNIT_PART.match(text, position)
        if match is None:
            raise QuantityError(f"cannot read the unit {json.dumps(text, ensure_ascii=False)}")
        name, power = match["name"], match["power"] or ""
        power = _POWERS.get(power, "**" + power.lstrip("*^") if power else "")
        out.append(name + power if name else match[0].replace("·", "*"))
        position = match.end()
    joined = "".join(out).strip()
    return "1" + joined if joined.startswith("/") else joined


def _units(text: str) -> Any:
    try:
        return registry().parse_units(_unit_text(text))
    except QuantityError:
        raise
    except Exception as error:  # pint lets many kinds through, from its own to those of the tokenizer
        raise QuantityError(f"does not know the unit {json.dumps(text, ensure_ascii=False)}") from error


def _split(text: str) -> tuple[float, str]:
    match = _NUMBER.fullmatch(text) if len(text) <= _LONGEST else None
    if match is None:
        raise QuantityError("does not begin with a number")
    return float(match[1]), match[2]


def _pure_numbers(units: Any) -> set[str]:
    return {name for name in units._units if not registry().get_dimensionality({name: 1})}


def _comparable(units: Any, unit: str) -> bool:
    """Whether ``units`` may stand where ``unit`` is wanted: readings never for differences, nor angles for numbers."""
    wanted = _units(unit)
    allowed = _ANGLES if unit == "deg" else _PARTS if unit == "" else frozenset()
    if not _pure_numbers(units) <= allowed or (unit == "deg" and not units._units):
        return False
    if units.dimensionality != wanted.dimensionality:
        return False
    names = [str(name) for name in units._units]
    difference = any(name.startswith("delta_") for name in names)
    reading = names in (["degree_Celsius"], ["degree_Fahrenheit"])
    return not (unit == "K" and reading) and not (unit == "degC" and difference)


@lru_cache(maxsize=4096)
def to_si(text: str, unit: str) -> float:
    """Read a quantity string as a float in ``unit``.

    ``unit`` is the SI unit of the field ("" for a pure number; "degC" a temperature reading; "K" a
    difference). Raises ``QuantityError`` when the text is no finite quantity of that kind.
    """
    kind, example = _KINDS[unit]
    try:
        number, unit_text = _split(text)
        units = _units(unit_text)
        if not _comparable(units, unit):
            raise QuantityError(f"{_wrong_kind(unit_text, unit)}")
        value = float(registry().Quantity(number, units).to(_units(unit)).magnitude)
    except QuantityError as error:
        raise QuantityError(f"{error}: must be {kind}, like {example}") from None
    if not math.isfinite(value):
        raise QuantityError(f"is not finite: must be {kind}, like {example}")
    return value


def _wrong_kind(unit_text: str, unit: str) -> str:
    if not unit_text:
        return "has no unit"
    if unit == "K" and _units(unit_text).dimensionality == _units("K").dimensionality:
        return f'"{unit_text}" is a thermometer reading, not a difference'
    if unit == "degC" and "delta" in str(_units(unit_text)):
        return f'"{unit_text}" is a difference, not a thermometer reading'
    return f'the unit "{unit_text}" does not fit'


def from_si(value: float, unit: str, user_unit: str | None = None) -> str:
    """Write an SI value as a short quantity string, in the user's unit when one is given."""
    if user_unit and user_unit != unit:
        value = float(registry().Quantity(value, _units(unit)).to(_units(user_unit)).magnitude)
    return f"{value:.4g} {user_unit or unit}".strip()


@dataclass(frozen=True)
class Quantity:
    """Mark a ``float`` field of a pydantic model as a quantity: ``Annotated[float, Quantity("m3", "1 m3", "99 m3")]``.

    The field takes quantity strings; a bare number only where the unit is "" (a pure number), or anywhere
    when validated with ``context={"si": True}``. Its value is a float in ``unit``. ``low`` and ``high`` are
    inclusive bounds, themselves quantity strings.
    """

    unit: str
    low: str
    high: str

    @property
    def bounds(self) -> tuple[float, float]:
        """Lowest and highest allowed value in ``unit``."""
        return to_si(self.low, self.unit), to_si(self.high, self.unit)

    def parse(self, value: object, *, bare: bool = False) -> float:
        """Return ``value`` in ``unit``; raise ``QuantityError`` if it is not such a quantity or out of bounds."""
        user_unit = None
        if isinstance(value, str):
            number, user_unit = to_si(value, self.unit), _split(value)[1]
        else:
            number = self._bare_number(value, allowed=bare or self.unit == "")
        low, high = self.bounds
        if not low <= number <= high:
            low_text, high_text = (from_si(bound, self.unit, user_unit) for bound in (low, high))
            raise QuantityError(f"must be {low_text} .. {high_text}")
        return number

    def _bare_number(self, value: object, *, allowed: bool) -> float:
        kind, example = _KINDS[self.unit]
        number = isinstance(value, (int, float)) and not isinstance(value, bool)
        if not number or not allowed:
            why = "has no unit: " if number else ""
            raise QuantityError(f"{why}must be {kind}, like {example}")
        try:
            finite = math.isfinite(result := float(value))  # type: ignore[arg-type]
        except OverflowError:
            finite = False
        if not finite:
            raise QuantityError(f"is not a finite number: must be {kind}, like {example}")
        return result

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Tell pydantic how to read the field."""

        def read(value: object, info: ValidationInfo) -> float:
            try:
                return self.parse(value, bare=bool(info.context and info.context.get("si")))
            except QuantityError as error:
                raise PydanticCustomError("quantity", "{text}", {"text": str(error)}) from None

        return core_schema.with_info_plain_validator_function(read)
