"""The report's units: the grower's, at the edge only."""

from __future__ import annotations

from dataclasses import dataclass

BTU_J = 1055.05585262  # International Table Btu, NIST SP 811


@dataclass(frozen=True, slots=True)
class Shown:
    """How temperatures and heat are written. ``per_kwh`` is how many of ``heat_unit`` are in a kWh."""

    fahrenheit: bool = False
    heat_unit: str = "kWh"
    per_kwh: float = 1.0

    @property
    def degree(self) -> str:
        """The unit of temperatures."""
        return "°F" if self.fahrenheit else "°C"

    def temperature(self, value_c: float) -> float:
        """A reading."""
        return value_c * 1.8 + 32.0 if self.fahrenheit else value_c

    def difference(self, value_k: float) -> float:
        """A difference, which has no offset."""
        return value_k * 1.8 if self.fahrenheit else value_k

    def degrees(self, value_c: float) -> str:
        """A reading in words."""
        return f"{self.temperature(value_c):.1f} {self.degree}" if value_c == value_c else "unknown"

    def heat(self, value_kwh: float) -> float:
        """An amount of heat."""
        return value_kwh * self.per_kwh


HEAT_UNITS = {"kWh": 1.0, "MJ": 3.6, "kBtu": 3.6e6 / BTU_J / 1000.0, "therm": 3.6e6 / BTU_J / 1e5}


def shown(system: str, heat_unit: str | None) -> Shown:
    """Units by system, "metric" or "us"; heat in kWh unless another of ``HEAT_UNITS`` is wanted."""
    unit = heat_unit or "kWh"
    return Shown(system == "us", unit, HEAT_UNITS[unit])
