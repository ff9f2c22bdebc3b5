"""What to build a pile from: feedstocks, and what a mix of them comes to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

Ratio = float  # of masses

SOURCE = "typical values as in extension tables (NRAES-54, On-Farm Composting Handbook, Appendix A); from memory"


@dataclass(frozen=True, slots=True)
class Feedstock:
    """A material as it comes: wet bulk density, share of water in the wet mass, share of nitrogen in the dry, C:N."""

    name: str
    density_kg_m3: float
    moisture: float
    nitrogen: Ratio
    c_to_n: Ratio


FEEDSTOCKS: dict[str, Feedstock] = {
    f.name: f
    for f in (
        Feedstock("wood chips", 300.0, 0.40, 0.0009, 560.0),
        Feedstock("bark", 350.0, 0.45, 0.0024, 250.0),
        Feedstock("sawdust", 250.0, 0.39, 0.0024, 440.0),
        Feedstock("straw", 130.0, 0.12, 0.007, 80.0),
        Feedstock("leaves", 200.0, 0.38, 0.009, 54.0),
        Feedstock("hay", 150.0, 0.12, 0.021, 22.0),
        Feedstock("grass clippings", 400.0, 0.80, 0.034, 17.0),
        Feedstock("food scraps", 700.0, 0.75, 0.025, 16.0),
        Feedstock("horse manure", 700.0, 0.70, 0.016, 30.0),
        Feedstock("cattle manure", 850.0, 0.80, 0.024, 19.0),
        Feedstock("poultry litter", 480.0, 0.35, 0.027, 14.0),
    )
}
# C:N and moisture: a New Brunswick fact sheet after NRAES-54; density: extension pages, 1,000-1,100 lb/yd3.
GOOD = {"c_to_n": (20.0, 40.0), "moisture": (0.40, 0.65), "density_kg_m3": (300.0, 650.0)}


@dataclass(frozen=True, slots=True)
class Mix:
    """What a recipe comes to before water is added. Density is of the loose mix; volumes are taken to add."""

    density_kg_m3: float
    moisture: float
    c_to_n: Ratio
    warnings: tuple[str, ...]


def mix(parts: Mapping[str, float]) -> Mix:
    """A recipe in parts by volume. ``ValueError`` in one line for an unknown material or a part that is none.

    C:N = sum of carbon / sum of nitrogen over the dry masses (NRAES-54's mixing formula).
    """
    _check(parts)
    volume = sum(parts.values())
    masses = {name: part * FEEDSTOCKS[name].density_kg_m3 for name, part in parts.items()}
    dry = {name: kg * (1.0 - FEEDSTOCKS[name].moisture) for name, kg in masses.items()}
    wet_kg, dry_kg = sum(masses.values()), sum(dry.values())
    nitrogen = {name: kg * FEEDSTOCKS[name].nitrogen for name, kg in dry.items()}
    carbon = sum(kg * FEEDSTOCKS[name].c_to_n for name, kg in nitrogen.items())
    found = (wet_kg / volume, 1.0 - dry_kg / wet_kg, carbon / sum(nitrogen.values()))
    return Mix(*found, warnings(*found))


def warnings(density_kg_m3: float, moisture: float, c_to_n: float | None) -> tuple[str, ...]:
    """What is wrong with such a mix, each in a sentence with what to do."""
    said = []
    if c_to_n is not None and not GOOD["c_to_n"][0] <= c_to_n <= GOOD["c_to_n"][1]:
        more = "manure or grass" if c_to_n > GOOD["c_to_n"][1] else "chips, straw or leaves"
        said.append(f"C:N is {c_to_n:.0f}, good is 20 to 40: add {more}.")
    if not GOOD["moisture"][0] <= moisture <= GOOD["moisture"][1]:
        what = "add water while building" if moisture < GOOD["moisture"][0] else "add dry straw or chips"
        said.append(f"Moisture is {moisture:.0%}, good is 40 % to 65 %: {what}.")
    if density_kg_m3 > GOOD["density_kg_m3"][1]:
        said.append(f"{density_kg_m3:.0f} kg/m3 is too dense for air to pass: add chips (at most 650 kg/m3).")
    return tuple(said)


def _check(parts: Mapping[str, float]) -> None:
    if not isinstance(parts, Mapping) or not parts:
        raise ValueError(f"recipe: must be a table of parts; name parts by volume of: {', '.join(FEEDSTOCKS)}")
    for name, part in parts.items():
        if name not in FEEDSTOCKS:
            raise ValueError(f"recipe.{name}: no such material; known are {', '.join(FEEDSTOCKS)}")
        if isinstance(part, bool) or not isinstance(part, int | float) or not 0.0 < part <= 1000.0:
            raise ValueError(f"recipe.{name} = {part}: must be parts by volume, above 0 and at most 1000")
