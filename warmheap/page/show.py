"""Values in the user's units. Everything inside is SI; a temperature difference is never treated as a reading."""

from __future__ import annotations

import re
from dataclasses import dataclass

from ..outside_settings import PageSettings
from ..units import BTU_J, GALLON_M3, HOUR_S, MINUTE_S, WATER_KG_M3, to_si

NONE = "no reading"
KWH_J = 3.6e6
_CELSIUS = re.compile(r"(-?\d+(?:\.\d+)?) °C")
_ABOVE = re.compile(r"(\d+(?:\.\d+)?) (above|below) its floor")
_KELVIN = re.compile(r"(-?\d+(?:\.\d+)?) K\b")
_LITRES = re.compile(r"(\d+(?:\.\d+)?) L/min")
_KILOWATT = re.compile(r"(\d+(?:\.\d+)?) (kW|W)\b")
_UNIT = re.compile(r"(?<=\d) (?=(?:°[CF]|K|V|A|W|kW|kWh|h|min|L/min|gal/min|Btu|Btu/h|%)(?![A-Za-z]))")


def together(sentence: str) -> str:
    """With no line break between a number and its unit."""
    return _UNIT.sub("\u00a0", sentence)


@dataclass(frozen=True, slots=True)
class Units:
    """How this user reads temperature, flow and heat."""

    temperature: str = "degC"
    flow: str = "L/min"
    heat: str = "kWh"

    @classmethod
    def of(cls, page: PageSettings) -> Units:
        """As the settings file says."""
        return cls(page.temperature, page.flow, page.heat)

    @property
    def degree(self) -> str:
        """The sign behind a temperature."""
        return "°F" if self.temperature == "degF" else "°C"

    def degrees(self, value_c: float) -> float:
        """A reading as a number on the user's scale."""
        return value_c * 1.8 + 32.0 if self.temperature == "degF" else value_c

    def temp(self, value_c: float | None) -> str:
        """A reading [°C]."""
        return NONE if value_c is None else f"{_plain(self.degrees(value_c), 1)} {self.degree}"

    def difference(self, value_k: float) -> str:
        """A temperature difference [K]."""
        return f"{value_k * 1.8:.1f} °F" if self.temperature == "degF" else f"{value_k:.1f} °C"

    def water(self, flow_kg_s: float | None) -> str:
        """A flow of water [kg/s], a kilogram taken as a litre."""
        if flow_kg_s is None:
            return NONE
        if self.flow == "gal/min":
            return f"{flow_kg_s / WATER_KG_M3 / GALLON_M3 * MINUTE_S:.2f} gal/min"
        return f"{flow_kg_s * MINUTE_S:.1f} L/min"

    def energy(self, heat_j: float | None) -> str:
        """An amount of heat [J]."""
        if heat_j is None:
            return "not known"
        return f"{heat_j / BTU_J:,.0f} Btu" if self.heat == "Btu" else f"{_plain(heat_j / KWH_J, 1)} kWh"

    def power(self, heat_w: float | None) -> str:
        """A rate of heat [W]."""
        if heat_w is None:
            return "not known"
        return f"{heat_w * HOUR_S / BTU_J:,.0f} Btu/h" if self.heat == "Btu" else f"{heat_w / 1000.0:.2f} kW"

    def text(self, sentence: str) -> str:
        """A sentence of the controller with its quantities in these units."""
        if self.temperature == "degF":
            sentence = _CELSIUS.sub(lambda m: f"{_plain(float(m[1]) * 1.8 + 32.0, 1)} °F", sentence)
            sentence = _KELVIN.sub(lambda m: f"{float(m[1]) * 1.8:.1f} °F", sentence)
            sentence = _ABOVE.sub(lambda m: f"{float(m[1]) * 1.8:.1f} °F {m[2]} its floor", sentence)
        if self.flow == "gal/min":
            sentence = _LITRES.sub(lambda m: self.water(float(m[1]) / MINUTE_S), sentence)
        if self.heat == "Btu":
            sentence = _KILOWATT.sub(lambda m: self.power(float(m[1]) * (1000.0 if m[2] == "kW" else 1.0)), sentence)
        return sentence

    def to_c(self, text: str) -> float:
        """A temperature as the user typed it, with or without unit; ``QuantityError``."""
        return to_si(_with_unit(text, self.temperature), "degC")

    def to_kg_s(self, text: str) -> float:
        """A flow as the user typed it, with or without unit; ``QuantityError``."""
        return to_si(_with_unit(text, self.flow), "kg/s")


def _with_unit(text: str, unit: str) -> str:
    return f"{text.strip()} {unit}" if re.fullmatch(r"[+-]?[\d.]+", text.strip()) else text.strip()


def _plain(number: float, digits: int) -> str:
    """Without a minus before zero."""
    text = f"{number:.{digits}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text
