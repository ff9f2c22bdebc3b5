"""The plan's input: a scenario file, with a recipe in place of density and moisture, or flags over it."""

from __future__ import annotations

import argparse
import json
import os
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .errors import UsageError
from .files import read_at_most, write_first

if TYPE_CHECKING:
    from sim.scenario import Scenario

Raw = dict[str, Any]
DEFAULT_VOLUME_M3 = 14.0
LARGEST_FILE = 64 * 1024
# Flag -> (table, field, what it is)
FLAGS: dict[str, tuple[str, str, str]] = {
    "weather": ("place", "weather", 'weather file (TMY3, EPW, TM2) or "pvlib:NAME"'),
    "start": ("place", "start", 'first day, "MM-DD"'),
    "pile-volume": ("pile", "volume", '"14 m3" or "18 yd3"'),
    "moisture": ("pile", "moisture", "share of water in the wet mass, after watering"),
    "greenhouse-volume": ("greenhouse", "volume", '"110 m3" or "3900 ft3"'),
    "floor-area": ("greenhouse", "floor_area", '"45 m2"'),
    "cover-area": ("greenhouse", "cover_area", '"105 m2"'),
    "cover-u": ("greenhouse", "cover_u", '"4 W/m2/K" or "0.7 BTU/hour/ft2/degF"'),
    "minimum": ("greenhouse", "minimum", 'lowest temperature for the crop, "45 degF"'),
    "coil-length": ("coil", "length", '"100 m" or "330 ft"'),
}
_PLAIN = ("moisture",)
_WITH_SIZE = (("skin_mass", 500.0, "kg"), ("ua_skin", 350.0, "W/K"))  # the coil's bed at 14 m3; it grows with the pile


def read_raw(path: Path | None) -> Raw:
    """The file as tables; a bare frame where there is none. ``UsageError`` in one line."""
    if path is None:
        return {"title": "Plan", "invented": False}
    try:
        data = read_at_most(path, LARGEST_FILE + 1)
        if len(data) > LARGEST_FILE:
            raise UsageError(f"{path}: too long for a plan file: at most {LARGEST_FILE // 1024} kB")
        return tomllib.loads(data.decode("utf-8-sig"))
    except OSError as wrong:
        raise UsageError(f"{path}: cannot be read: {wrong.strerror}") from None
    except (ValueError, RecursionError) as wrong:
        raise UsageError(f"{path} is not valid TOML: {str(wrong).partition(';')[0]}") from None


def with_flags(raw: Raw, args: argparse.Namespace) -> Raw:
    """The tables with the flags written over them."""
    for flag, (table, field, _) in FLAGS.items():
        value = getattr(args, flag.replace("-", "_"))
        if value is not None:
            _table(raw, table)[field] = _number(flag, value) if field in _PLAIN and "%" not in value else value
    if args.recipe is not None:
        raw["recipe"] = parts_of(args.recipe)
    return raw


def parts_of(text: str) -> dict[str, float]:
    """Read "straw=1, horse manure=2" as parts by volume."""
    parts = {}
    for item in text.split(","):
        name, equals, part = item.partition("=")
        if not equals:
            raise UsageError(f'--recipe {item.strip()!r}: write "material=parts", like "straw=1, horse manure=2"')
        parts[name.strip()] = _number(f"recipe {name.strip()}", part)
    return parts


def scenario_of(raw: Raw, source: str, folder: Path, *, grow: bool) -> tuple[Scenario, Raw, tuple[str, ...]]:
    """Scenario, the tables it was made of, and what is wrong with the mix. ``UsageError`` in one line.

    ``grow`` sizes the coil's bed with the pile, where the tables do not; a scenario file is taken as it is.
    """
    from sim.plan_recipe import mix
    from sim.scenario import Scenario
    from sim.weather import load_weather

    made = {key: dict(value) if isinstance(value, dict) else value for key, value in raw.items() if key != "recipe"}
    if "weather" not in _table(made, "place"):
        raise UsageError(
            f'place.weather: is missing in {source}; name a weather file (TMY3, EPW, TM2) or "pvlib:NAME" (--weather)'
        )
    made["place"].setdefault("start", "11-15")
    try:
        mixed = mix(raw["recipe"]) if "recipe" in raw else None
        if mixed:
            pile = _table(made, "pile")
            pile.setdefault("moisture", round(mixed.moisture, 3))
            pile.setdefault("bulk_density", f"{mixed.density_kg_m3:.0f} kg/m3")
        scenario = Scenario.from_toml(as_toml(made), source=source, folder=folder)
        if grow or "recipe" in raw:
            _grown(made, scenario)
            scenario = Scenario.from_toml(as_toml(made), source=source, folder=folder)
        load_weather(scenario)
    except (ValueError, OSError, AttributeError) as wrong:
        raise UsageError(wrong) from None
    return scenario, made, _mix_warnings(scenario, mixed.c_to_n if mixed else None)


def as_toml(raw: Raw) -> str:
    """Tables as TOML text: what stands alone first, then each table; one level deeper for sensors."""
    lines = [f"{key} = {_value(value)}" for key, value in raw.items() if not isinstance(value, dict)]
    for name, table in raw.items():
        if isinstance(table, dict):
            lines += ["", *_table_lines(name, table)]
    return "\n".join(lines) + "\n"


def write_scenario(made: Raw, scenario: Scenario, path: Path) -> None:
    """Write a scenario file that ``simulate`` reads; its weather path is made to fit the new place."""
    out = {**made, "place": dict(made["place"])}
    if not str(out["place"]["weather"]).startswith("pvlib:"):
        out["place"]["weather"] = os.path.relpath(scenario.weather_path, path.parent)
    try:
        write_first(
            path, f"# Written by warmheap plan. What is not written here keeps its default.\n{as_toml(out)}".encode()
        )
    except FileExistsError:
        raise UsageError(f"--write-scenario {path}: is there already; name a new file") from None
    except OSError as wrong:
        raise UsageError(f"--write-scenario {path}: {wrong.strerror}; name a file that can be written") from None


def _mix_warnings(scenario: Scenario, c_to_n: float | None) -> tuple[str, ...]:
    from sim.plan_recipe import warnings

    return warnings(scenario.pile.bulk_density, scenario.pile.moisture, c_to_n)


def _grown(made: Raw, scenario: Scenario) -> None:
    """A bigger pile has more material round its coil, where the file does not say otherwise."""
    coil = _table(made, "coil")
    for field, at_default, unit in _WITH_SIZE:
        coil.setdefault(field, f"{at_default * scenario.pile.volume / DEFAULT_VOLUME_M3:.4g} {unit}")


def _table(raw: Raw, name: str) -> Raw:
    table = raw.setdefault(name, {})
    if not isinstance(table, dict):
        raise UsageError(f"{name}: must be a table, [{name}]")
    return table


def _table_lines(name: str, table: Raw) -> list[str]:
    flat = [f"{key} = {_value(value)}" for key, value in table.items() if not isinstance(value, dict)]
    deep = [line for key, v in table.items() if isinstance(v, dict) for line in _table_lines(f"{name}.{key}", v)]
    return [f"[{name}]", *flat, *deep]


def _value(value: object) -> str:
    if isinstance(value, str | bool | int | float | list):
        return json.dumps(value, ensure_ascii=False)
    raise UsageError(f"{value!r}: cannot stand in a plan file; write numbers, texts in quotes or lists")


def _number(name: str, text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise UsageError(f"--{name} = {text!r}: must be a number") from None
