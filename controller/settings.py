"""Everything a grower can set or know beforehand, with unit, bounds and meaning in one table."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from math import isfinite
from typing import Any

from controller.giving_way import DEFAULT_ORDER, fault_of
from controller.power import CHEMISTRIES, LEAD_ACID, LITHIUM, SAME, Battery

__all__ = ["LEAD_ACID", "LITHIUM", "ControllerSettings", "SettingsError"]
_LEAD = CHEMISTRIES[LEAD_ACID]


class SettingsError(ValueError):
    """A setting is out of range; the text names the field, the value and what is allowed."""


def _number(default: float, low: float, high: float, unit: str, help_text: str) -> Any:
    return field(default=default, metadata={"low": low, "high": high, "unit": unit, "help": help_text})


def _choice(default: str, allowed: tuple[str, ...], help_text: str) -> Any:
    return field(default=default, metadata={"allowed": allowed, "unit": "", "help": help_text})


def _order(default: tuple[str, ...], help_text: str) -> Any:
    return field(default=default, metadata={"order": default, "unit": "", "help": help_text})


@dataclass(frozen=True, kw_only=True, slots=True)
class ControllerSettings:
    """Targets, limits and prior knowledge of the plant.

    Every field has a usable default for a 14 m3 pile, a 12 V pump and a 130 cfm fan. ``SettingsError``
    (a ``ValueError``) is raised for a value outside its bounds. With lithium batteries the lead-acid defaults of
    ``battery_low_v`` and ``battery_ok_v`` become those of lithium.
    """

    # what the grower wants
    supply_target_c: float = _number(38.0, 10.0, 60.0, "degC", "water leaving the pile is held near this")
    flow_target_kg_s: float = _number(0.0631, 0.005, 2.0, "kg/s", "flow while the pile can carry it; 1 US gal/min")
    greenhouse_min_c: float = _number(7.0, -5.0, 30.0, "degC", "the crop needs at least this")
    greenhouse_ceiling_c: float = _number(24.0, 5.0, 45.0, "degC", "above this the greenhouse wants no heat")
    giving_way: tuple[str, ...] = _order(DEFAULT_ORDER, "what is kept longest first; the last gives way first")
    # the pile
    pile_floor_c: float = _number(45.0, 40.0, 60.0, "degC", "the draw never takes the core below this")
    start_core_c: float = _number(50.0, 42.0, 70.0, "degC", "no draw before the core has been this hot ...")
    start_hold_s: float = _number(24 * 3600.0, 0.0, 14 * 86400.0, "s", "... for this long without a break")
    pile_wet_mass_kg: float = _number(8000.0, 500.0, 100000.0, "kg", "wet mass of the pile when built")
    pile_moisture: float = _number(0.6, 0.2, 0.85, "kg/kg", "share of water in the wet mass when built")
    coil_ua_w_k: float = _number(250.0, 10.0, 5000.0, "W/K", "heat passed from pile to coil water per kelvin")
    coil_water_kg: float = _number(0.0, 0.0, 1000.0, "kg", "water in the coil; 0: not known")
    drum_volume_m3: float = _number(0.208, 0.0, 5.0, "m3", "water in the drum inside the pile")
    # the water loop
    pump_full_flow_kg_s: float = _number(0.8, 0.02, 5.0, "kg/s", "flow at full duty and 12 V")
    pump_start_duty: float = _number(0.25, 0.02, 0.9, "1", "smallest duty that starts the pump from rest")
    pump_run_duty: float = _number(0.17, 0.01, 0.9, "1", "smallest duty that keeps the pump turning")
    pump_power_w: float = _number(60.0, 1.0, 1000.0, "W", "electrical power at full duty")
    line_volume_m3: float = _number(0.02, 0.0, 1.0, "m3", "water in the pipe from pile to greenhouse, one way")
    supply_max_c: float = _number(49.0, 35.0, 80.0, "degC", "scald limit of water reaching the greenhouse")
    supply_loop_gain_per_k: float = _number(
        0.025, 0.001, 2.0, "1", "share of the flow target by which one kelvin too much or too little moves the flow"
    )
    supply_loop_integral_s: float = _number(
        1200.0, 20.0, 7200.0, "s", "integral time of the supply temperature's control at the flow target"
    )
    flow_loop_gain: float = _number(
        0.15, 0.005, 0.5, "1", "share of a flow error that the pump's power makes up for at once, by its straight curve"
    )
    flow_loop_integral_s: float = _number(5.0, 0.5, 120.0, "s", "integral time of the flow's control")
    flow_meter_gain: float = _number(1.0, 0.5, 2.0, "1", "true flow over what the flow meter reads; found by bucket")
    tank_change_max_k: float = _number(
        30.0, 0.5, 30.0, "K", "most change of the tank in 24 h; 1.5 where fish live in it"
    )
    # the air side
    fan_full_flow_kg_s: float = _number(0.055, 0.005, 1.0, "kg/s", "dry air at full duty, at the greenhouse end")
    fan_start_duty: float = _number(0.2, 0.02, 0.9, "1", "smallest duty that starts the fan from rest")
    fan_run_duty: float = _number(0.12, 0.01, 0.9, "1", "smallest duty that keeps the fan turning")
    fan_power_w: float = _number(40.0, 1.0, 500.0, "W", "electrical power at full duty")
    humidity_max: float = _number(0.92, 0.5, 1.0, "1", "relative humidity above which no more pile air enters")
    co2_max: float = _number(0.0012, 0.0005, 0.005, "mol/mol", "CO2 above which no more pile air enters")
    # power
    battery_kind: str = _choice(LEAD_ACID, (LEAD_ACID, LITHIUM), "chemistry of the batteries")
    fan_battery_kind: str = _choice(
        SAME, (SAME, LEAD_ACID, LITHIUM), "chemistry of its battery if not the pump's; its usual volts count then"
    )
    battery_low_v: float = _number(_LEAD.low_v, 10.0, 14.0, "V", "below this the output rests; 12.8 for lithium")
    battery_ok_v: float = _number(_LEAD.ok_v, 10.0, 15.0, "V", "from here on it works again; 13.1 for lithium")

    def __post_init__(self) -> None:
        """Refuse any value outside its bounds, and limits that contradict each other."""
        if isinstance(self.giving_way, list):  # as JSON and TOML give it
            object.__setattr__(self, "giving_way", tuple(self.giving_way))
        if self.battery_kind == LITHIUM and (self.battery_low_v, self.battery_ok_v) == (_LEAD.low_v, _LEAD.ok_v):
            object.__setattr__(self, "battery_low_v", CHEMISTRIES[LITHIUM].low_v)
            object.__setattr__(self, "battery_ok_v", CHEMISTRIES[LITHIUM].ok_v)
        for f in fields(self):
            _check(f.name, getattr(self, f.name), f.metadata)
        for low, high in (
            ("greenhouse_min_c", "greenhouse_ceiling_c"),
            ("pile_floor_c", "start_core_c"),
            ("pump_run_duty", "pump_start_duty"),
            ("fan_run_duty", "fan_start_duty"),
            ("battery_low_v", "battery_ok_v"),
            ("supply_target_c", "supply_max_c"),
        ):
            below, above = getattr(self, low), getattr(self, high)
            if not below <= above:
                raise SettingsError(f"{low} = {below} is above {high} = {above}: lower the first or raise the second")

    @property
    def pump_battery(self) -> Battery:
        """The battery of the pump's supply."""
        return Battery(self.battery_kind, self.battery_low_v, self.battery_ok_v)

    @property
    def fan_kind(self) -> str:
        """The chemistry of the fan's battery; asked for at every step, so nothing is made for it."""
        return self.battery_kind if self.fan_battery_kind == SAME else self.fan_battery_kind

    @property
    def fan_battery(self) -> Battery:
        """The battery of the fan's supply: like the pump's, or with the usual volts of its own chemistry."""
        if self.fan_kind == self.battery_kind:
            return self.pump_battery
        usual = CHEMISTRIES[self.fan_kind]
        return Battery(self.fan_kind, usual.low_v, usual.ok_v)


def _check(name: str, value: object, meta: Any) -> None:
    if "order" in meta:
        fault = fault_of(value) if isinstance(value, tuple) else "is not a list of names"
        if fault:
            raise SettingsError(f"{name} = {value!r} {fault}")
        return
    if "allowed" in meta:
        if value not in meta["allowed"]:
            raise SettingsError(f"{name} = {value!r} is not one of {', '.join(meta['allowed'])}")
        return
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not isfinite(value):
        raise SettingsError(f"{name} = {value!r} is not a finite number ({meta['unit']})")
    if not meta["low"] <= value <= meta["high"]:
        raise SettingsError(f"{name} = {value} is outside {meta['low']}..{meta['high']} {meta['unit']}")
