"""Scenario files: one TOML file describes pile, water, air, greenhouse, power, sensors and weather of a season."""

from __future__ import annotations

import difflib
import json
import math
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Self

from pydantic import Field, PrivateAttr, ValidationError
from pydantic.fields import FieldInfo

from controller.settings import ControllerSettings, SettingsError
from sim.quantities import Quantity, printable
from sim.scenario_tables import (
    Coil,
    Drum,
    Fan,
    Greenhouse,
    Line,
    Pile,
    Place,
    Pond,
    Power,
    Pump,
    Sensors,
    Table,
    YesNo,
)

_LARGEST_FILE = 64 * 1024
_AIR_KG_M3 = 1.2


class ScenarioError(ValueError):
    """A scenario cannot be used; its text is one line that names the field, the value and what is allowed."""

    def __init__(self, text: str) -> None:
        """Keep ``text`` to one printable line."""
        super().__init__(printable(text))


class Scenario(Table):
    """A season's plant and weather, all in SI units (temperatures in degC).

    ``Scenario.load(path)`` reads a file; ``varied`` and pydantic's ``model_copy`` give changed copies.
    """

    title: str = Field(description="one line for pictures and tables")
    invented: YesNo = Field(description="whether place and equipment are invented: must be stated")
    about: str = Field("", description="what the scenario is meant to show")
    place: Place
    pile: Pile = Field(default_factory=Pile)
    drum: Drum = Field(default_factory=Drum)
    coil: Coil = Field(default_factory=Coil)
    line: Line = Field(default_factory=Line)
    pump: Pump = Field(default_factory=Pump)
    fan: Fan = Field(default_factory=Fan)
    greenhouse: Greenhouse = Field(default_factory=Greenhouse)
    pond: Pond = Field(default_factory=Pond)
    pump_power: Power = Field(default_factory=Power)
    fan_power: Power = Field(default_factory=Power)
    sensors: Sensors = Field(default_factory=Sensors)

    _folder: Path = PrivateAttr(default_factory=Path)
    _source: str = PrivateAttr(default="scenario")

    @classmethod
    def load(cls, path: str | Path) -> Self:
        """Read a scenario file. Raises ``ScenarioError`` with one line on whatever is wrong."""
        return cls.from_toml(_read(Path(path)), source=str(path), folder=Path(path).parent)

    @classmethod
    def from_toml(cls, text: str, *, source: str = "scenario", folder: str | Path = ".") -> Self:
        """Read a scenario from TOML text; ``folder`` is where a relative weather path begins."""
        try:
            raw = tomllib.loads(text)
        except (ValueError, RecursionError) as error:
            raise ScenarioError(f"{source} is not valid TOML: {str(error).split(';')[0]}") from None
        scenario = cls._checked(raw, source, si=False)
        scenario._folder = Path(folder)
        return scenario

    @classmethod
    def _checked(cls, raw: Mapping[str, Any], source: str, *, si: bool) -> Self:
        try:
            scenario = cls.model_validate(raw, context={"si": si})
        except ValidationError as error:
            raise ScenarioError(_one_line(error, source)) from None
        scenario._source = source
        return scenario

    def varied(self, changes: Mapping[str, Any]) -> Self:
        """Return a copy with some fields changed and all bounds checked.

        ``changes`` maps "table.field" to a quantity string, or to a plain number in the field's SI unit.
        """
        raw = self.model_dump()
        for name, value in changes.items():
            *tables, last = name.split(".")
            inner: Any = raw
            for table in tables:
                inner = inner.get(table) if isinstance(inner, dict) else None
            if not isinstance(inner, dict):
                raise ScenarioError(f"{name}: no such field to vary; write it as table.field, like pile.volume")
            inner[last] = value
        copy = self._checked(raw, self._source, si=True)
        copy._folder = self._folder
        return copy

    @property
    def weather_path(self) -> Path:
        """The weather file: pvlib's own for "pvlib:NAME", else relative to the scenario file."""
        kind, _, name = self.place.weather.partition(":")
        if kind != "pvlib":
            return self._folder / self.place.weather
        import pvlib

        return Path(pvlib.__file__).parent / "data" / Path(name).name

    def controller_settings(self) -> ControllerSettings:
        """Give the controller what the grower of this scenario knows; targets stay at their defaults.

        Raises ``ScenarioError`` when a figure lies outside what the controller accepts.
        """
        try:
            return ControllerSettings(**_known_to_grower(self))
        except SettingsError as error:
            raise ScenarioError(f"{self._source} does not suit the controller: {error}") from None


def coil_ua_w_k(coil: Coil) -> float:
    """Heat passed from core to coil water per kelvin, W/K: core to skin, contact and pipe wall in series.

    The wall is that of a cylinder, 2 pi k L / ln(outer / inner) (any heat-transfer text); the water film is left out.
    """
    wall = 2.0 * math.pi * coil.conductivity * coil.length / math.log1p(2.0 * coil.wall / coil.inner_diameter)
    return 1.0 / (1.0 / coil.ua_skin + 1.0 / (coil.contact * coil.length) + 1.0 / wall)


def field_table() -> list[tuple[str, str, str, str, str, str, str]]:
    """List every field as (table, name, unit, default, lowest, highest, meaning); bounds "" where there are none."""
    return list(_rows(Scenario, ""))


def _known_to_grower(scenario: Scenario) -> dict[str, Any]:
    pile, line, pump, fan, house = scenario.pile, scenario.line, scenario.pump, scenario.fan, scenario.greenhouse
    return {
        "greenhouse_min_c": house.minimum,
        "greenhouse_ceiling_c": house.ceiling,
        "pile_wet_mass_kg": pile.wet_mass_kg,
        "pile_moisture": pile.moisture,
        "coil_ua_w_k": coil_ua_w_k(scenario.coil),
        "drum_volume_m3": scenario.drum.volume,
        "pump_full_flow_kg_s": _full_flow_kg_s(scenario),
        "pump_start_duty": pump.start_duty,
        "pump_run_duty": pump.run_duty,
        "pump_power_w": pump.power,
        "line_volume_m3": math.pi / 4.0 * line.inner_diameter**2 * line.length,
        "fan_full_flow_kg_s": _AIR_KG_M3 * fan.max_flow * (1.0 - fan.duct_leak),
        "fan_start_duty": fan.start_duty,
        "fan_run_duty": fan.run_duty,
        "fan_power_w": fan.power,
        "battery_kind": scenario.pump_power.kind,
        "fan_battery_kind": scenario.fan_power.kind,
    }


def _full_flow_kg_s(scenario: Scenario) -> float:
    """Flow at full duty through this coil and line: what a bucket and a watch tell the grower."""
    import numpy as np

    from sim.params import pump_table_kg_s

    table = pump_table_kg_s(scenario)
    return float(np.interp(1.0, np.linspace(0.0, 1.5, table.size), table))  # even steps of relative speed 0..1.5


def _read(path: Path) -> str:
    try:
        with path.open("rb") as file:
            data = file.read(_LARGEST_FILE + 1)
    except FileNotFoundError:
        raise ScenarioError(f"{path}: no such scenario file") from None
    except (OSError, ValueError) as error:
        raise ScenarioError(f"{path}: cannot be read: {getattr(error, 'strerror', None) or error}") from None
    if len(data) > _LARGEST_FILE:
        raise ScenarioError(f"{path}: too long for a scenario file: at most {_LARGEST_FILE // 1024} kB")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ScenarioError(f"{path}: is not UTF-8 text (byte {error.start}): save it as UTF-8") from None


def _one_line(error: ValidationError, source: str) -> str:
    details = error.errors(include_url=False)
    more = f"; and {len(details) - 1} more" if len(details) > 1 else ""
    return f"{_explain(details[0])} ({source}){more}"


def _explain(detail: Any) -> str:
    location, kind, value = detail["loc"], detail["type"], detail["input"]
    name = ".".join(str(part) for part in location if isinstance(part, int) or not str(part).startswith("function-"))
    if kind == "extra_forbidden":
        return f"{name}: no such field; {_nearest(location)}"
    if kind == "missing":
        info = _models_field(location)
        return f"{name}: is missing; {info.description if info and info.description else 'it must be given'}"
    if kind == "crosscheck" and isinstance(value, Mapping):
        return f"{name}: {detail['msg']}"
    return f"{name} = {_shown(value)}: {_wanted(kind, detail)}"


def _wanted(kind: str, detail: Any) -> str:
    plain = {
        "bool_type": "must be true or false",
        "bool_parsing": "must be true or false",
        "string_type": "must be a text in quotes",
        "tuple_type": "must be a list of names",
        "model_type": "must be a table of fields",
    }
    if kind == "literal_error":
        return "must be " + str(detail["ctx"]["expected"]).replace("'", '"')
    return plain.get(kind, str(detail["msg"]))


def _shown(value: object) -> str:
    try:
        text = json.dumps(value, ensure_ascii=False, default=str)
    except ValueError:  # Python will not write out a whole number of thousands of digits
        return "(a huge number)"
    return text if len(text) <= 60 else text[:57] + "..."


def _model_at(location: tuple[Any, ...]) -> type[Table]:
    model: type[Table] = Scenario
    for part in location:
        info = model.model_fields.get(str(part))
        inner = info.annotation if info else None
        if not (isinstance(inner, type) and issubclass(inner, Table)):
            break
        model = inner
    return model


def _models_field(location: tuple[Any, ...]) -> FieldInfo | None:
    return _model_at(location[:-1]).model_fields.get(str(location[-1]))


def _nearest(location: tuple[Any, ...]) -> str:
    known = _model_at(location[:-1]).model_fields
    near = difflib.get_close_matches(str(location[-1]), known, n=1)
    if near:
        return f'did you mean "{near[0]}"?'
    for table, info in Scenario.model_fields.items():
        if isinstance(info.annotation, type) and issubclass(info.annotation, Table):
            if str(location[-1]) in info.annotation.model_fields:
                return f'"{location[-1]}" belongs to table [{table}]'
    return f"known are {', '.join(known)}"


def _rows(model: type[Table], table: str) -> Iterator[tuple[str, str, str, str, str, str, str]]:
    for name, info in model.model_fields.items():
        inner = info.annotation
        if isinstance(inner, type) and issubclass(inner, Table):
            yield from _rows(inner, f"{table}.{name}".lstrip("."))
            continue
        unit, low, high = _bounds(info)
        default = "" if info.is_required() or info.default is None else _default_text(info.default)
        yield table, name, unit, default, low, high, info.description or ""


def _bounds(info: FieldInfo) -> tuple[str, str, str]:
    marks = [mark for mark in info.metadata if isinstance(mark, Quantity)]
    for part in getattr(info.annotation, "__args__", ()):
        marks += [mark for mark in getattr(part, "__metadata__", ()) if isinstance(mark, Quantity)]
    return (marks[0].unit, marks[0].low, marks[0].high) if marks else ("", "", "")


def _default_text(default: object) -> str:
    if isinstance(default, tuple):
        return ", ".join(default)
    return str(default).lower() if isinstance(default, bool) else str(default)
