"""The tables of a scenario file: every field with its unit, default, bounds and meaning."""

from __future__ import annotations

import datetime
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, Strict, field_validator, model_validator
from pydantic_core import PydanticCustomError

from controller.signals import Measurements
from sim.quantities import Quantity

Share = Annotated[float, Quantity("", "0", "1")]
YesNo = Annotated[bool, Strict()]


def setting(default: object, text: str) -> Any:
    """Give a field its default, written as a user would write it, and its meaning."""
    return Field(default, description=text)


def refuse(text: str) -> PydanticCustomError:
    """Make the error that a field's own check or a cross-check within a table raises."""
    return PydanticCustomError("crosscheck", "{text}", {"text": text})


class Table(BaseModel):
    """One frozen table; unknown keys are errors, defaults are checked like any value."""

    model_config = ConfigDict(frozen=True, extra="forbid", validate_default=True)


class Place(Table):
    """Where and when: weather file, first day, and what is changed in the weather."""

    weather: str = Field(
        description='TMY3, EPW or TM2 file, relative to the scenario file; "pvlib:NAME" is one that pvlib ships'
    )
    start: str = Field(description='first day, "MM-DD"')
    temperature_shift: Annotated[float, Quantity("K", "-30 K", "30 K")] = setting(
        "0 K", "added to the air temperature of every hour: an invented colder or warmer climate"
    )
    rain_factor: Annotated[float, Quantity("", "0", "10")] = setting(1.0, "rain is multiplied by this")
    ground_temperature: Annotated[float, Quantity("degC", "-10 degC", "35 degC")] | None = setting(
        None, "deep ground; left out, the annual mean of the air"
    )

    @field_validator("start")
    @classmethod
    def _is_day(cls, value: str) -> str:
        try:
            if len(value) == 5:
                datetime.date.fromisoformat(f"2001-{value}")
                return value
        except ValueError:
            pass
        raise refuse('must be a day "MM-DD" of a year without 29 February, like "11-15"')

    @property
    def start_hour(self) -> int:
        """Hours from 1 January 00:00 to the first day: the first index into the weather arrays."""
        return (datetime.date.fromisoformat(f"2001-{self.start}").timetuple().tm_yday - 1) * 24


class Pile(Table):
    """The pile as built."""

    volume: Annotated[float, Quantity("m3", "0.5 m3", "500 m3")] = setting("14 m3", "volume when built")
    bulk_density: Annotated[float, Quantity("kg/m3", "150 kg/m3", "1000 kg/m3")] = setting(
        "570 kg/m3", "wet mass per volume"
    )
    moisture: Annotated[float, Quantity("", "0.2", "0.85")] = setting(0.60, "share of water in the wet mass")
    fast_fraction: Share = setting(0.13, "share of the dry mass that rots quickly")
    slow_fraction: Share = setting(0.45, "share of the dry mass that rots slowly; the rest does not rot")
    fast_rate: Annotated[float, Quantity("1/s", "0.001 1/day", "3 1/day")] = setting(
        "0.30 1/day", "decay rate of the quick part under the best conditions"
    )
    slow_rate: Annotated[float, Quantity("1/s", "0.0001 1/day", "0.5 1/day")] = setting(
        "0.013 1/day", "decay rate of the slow part under the best conditions"
    )
    initial_temperature: Annotated[float, Quantity("degC", "-5 degC", "60 degC")] = setting(
        "22 degC", "temperature when built"
    )
    start_activity: Annotated[float, Quantity("", "0.0001", "1")] = setting(
        0.5, "microbes at the start, as a share of a full population"
    )
    conductivity_dry: Annotated[float, Quantity("W/m/K", "0.02 W/m/K", "1 W/m/K")] = setting(
        "0.15 W/m/K", "thermal conductivity when dry"
    )
    conductivity_wet: Annotated[float, Quantity("W/m/K", "0 W/m/K", "2 W/m/K")] = setting(
        "0.45 W/m/K", "added to the conductivity per unit of water volume fraction"
    )
    permeability: Annotated[float, Quantity("m2", "1e-12 m2", "1e-6 m2")] = setting(
        "2e-9 m2", "how easily air moves through the material"
    )
    cover_resistance: Annotated[float, Quantity("m2 K/W", "0 m2 K/W", "20 m2 K/W")] = setting(
        "0.3 m2 K/W", "thermal resistance of tarp and cover"
    )
    rain_shed: Share = setting(0.8, "share of the rain that the tarp keeps off")
    base_resistance: Annotated[float, Quantity("m2 K/W", "0.01 m2 K/W", "20 m2 K/W")] = setting(
        "0.3 m2 K/W", "thermal resistance between pile and ground"
    )
    coil_span: Annotated[float, Quantity("", "0.1", "1")] = setting(
        0.6, "share of the pile's radius that the coil fills"
    )

    @model_validator(mode="after")
    def _parts_fit(self) -> Pile:
        if self.fast_fraction + self.slow_fraction > 1.0:
            total = self.fast_fraction + self.slow_fraction
            raise refuse(f"fast_fraction + slow_fraction = {total:.3g}: must be 1 or less together")
        if self.wet_mass_kg > 100_000.0:
            raise refuse(f"volume x bulk_density = {self.wet_mass_kg:.0f} kg: must be 100000 kg or less")
        return self

    @property
    def wet_mass_kg(self) -> float:
        """Wet mass when built."""
        return self.volume * self.bulk_density


class Drum(Table):
    """The water drum inside the pile's core."""

    volume: Annotated[float, Quantity("m3", "1 L", "5 m3")] = setting("55 gal", "water held")
    ua_pile: Annotated[float, Quantity("W/K", "0 W/K", "1000 W/K")] = setting("25 W/K", "from pile to drum water")
    ua_coil: Annotated[float, Quantity("W/K", "0 W/K", "5000 W/K")] = setting("80 W/K", "from drum water to coil water")


class Coil(Table):
    """The coil of pipe in the pile."""

    length: Annotated[float, Quantity("m", "5 m", "2 km")] = setting("100 m", "length of pipe")
    inner_diameter: Annotated[float, Quantity("m", "5 mm", "80 mm")] = setting("19 mm", "inside of the pipe")
    wall: Annotated[float, Quantity("m", "0.3 mm", "10 mm")] = setting("2.5 mm", "thickness of the pipe wall")
    conductivity: Annotated[float, Quantity("W/m/K", "0.05 W/m/K", "400 W/m/K")] = setting(
        "0.4 W/m/K", "thermal conductivity of the pipe wall"
    )
    contact: Annotated[float, Quantity("W/m/K", "0.5 W/m/K", "50 W/m/K")] = setting(
        "5.0 W/m/K", "from the wet material just around the pipe to its wall, per metre of pipe"
    )
    skin_mass: Annotated[float, Quantity("kg", "10 kg", "10000 kg")] = setting(
        "500 kg", "wet material near the pipe that follows it within the hour"
    )
    ua_skin: Annotated[float, Quantity("W/K", "10 W/K", "10000 W/K")] = setting(
        "350 W/K", "from that skin to the rest of the core"
    )


class Line(Table):
    """The pipe between pile and greenhouse."""

    length: Annotated[float, Quantity("m", "0.5 m", "300 m")] = setting("25 m", "length, one way")
    inner_diameter: Annotated[float, Quantity("m", "5 mm", "80 mm")] = setting("19 mm", "inside of the pipe")
    loss: Annotated[float, Quantity("W/m/K", "0.01 W/m/K", "3 W/m/K")] = setting("0.35 W/m/K", "heat lost per metre")
    burial: Share = setting(
        0.7, "share of the ground's temperature in what surrounds the pipe; the rest is outdoor air"
    )
    static_head: Annotated[float, Quantity("m", "0 m", "20 m")] = setting("0 m", "height that the pump must lift")
    degassing: Annotated[float, Quantity("m3/s", "0 m3/s", "1 L/hour")] = setting(
        "0 m3/s", "air set free in the loop, which gathers at the high point"
    )


class Pump(Table):
    """The water pump."""

    max_flow: Annotated[float, Quantity("m3/s", "0.5 gal/min", "100 gal/min")] = setting(
        "18 gal/min", "flow at full duty without any head"
    )
    max_head: Annotated[float, Quantity("m", "0.3 m", "60 m")] = setting("6 m", "head at full duty without any flow")
    power: Annotated[float, Quantity("W", "1 W", "1000 W")] = setting("60 W", "electrical power at full duty")
    start_duty: Annotated[float, Quantity("", "0.02", "0.9")] = setting(0.25, "least duty that starts it from rest")
    run_duty: Annotated[float, Quantity("", "0.01", "0.9")] = setting(0.17, "least duty that keeps it turning")

    @model_validator(mode="after")
    def _starts_harder_than_runs(self) -> Pump:
        _rising(self, "run_duty", "start_duty")
        return self


class Fan(Table):
    """The fan, its duct, and where its air goes in the pile."""

    max_flow: Annotated[float, Quantity("m3/s", "10 cfm", "1500 cfm")] = setting(
        "130 cfm", "flow at full duty without back pressure"
    )
    max_pressure: Annotated[float, Quantity("Pa", "5 Pa", "5000 Pa")] = setting(
        "120 Pa", "pressure at full duty without any flow"
    )
    power: Annotated[float, Quantity("W", "1 W", "500 W")] = setting("30 W", "electrical power at full duty")
    start_duty: Annotated[float, Quantity("", "0.02", "0.9")] = setting(0.2, "least duty that starts it from rest")
    run_duty: Annotated[float, Quantity("", "0.01", "0.9")] = setting(0.12, "least duty that keeps it turning")
    max_speed: Annotated[float, Quantity("1/s", "5 1/s", "300 1/s")] = setting(
        "45 1/s", "revolutions per second at full duty"
    )
    duct_leak: Annotated[float, Quantity("", "0", "0.9")] = setting(0.25, "share of the air lost on its way")
    duct_length: Annotated[float, Quantity("m", "0 m", "100 m")] = setting("12 m", "length of the duct")
    duct_loss: Annotated[float, Quantity("W/K", "0 W/K", "200 W/K")] = setting("8 W/K", "heat lost by the whole duct")
    core_share: Share = setting(0.2, "share of the air that passes the core; the rest cuts through the outer layer")

    @model_validator(mode="after")
    def _starts_harder_than_runs(self) -> Fan:
        _rising(self, "run_duty", "start_duty")
        return self


class Greenhouse(Table):
    """The greenhouse."""

    volume: Annotated[float, Quantity("m3", "2 m3", "5000 m3")] = setting("3900 ft3", "air inside")
    floor_area: Annotated[float, Quantity("m2", "1 m2", "2000 m2")] = setting("45 m2", "floor")
    cover_area: Annotated[float, Quantity("m2", "2 m2", "5000 m2")] = setting("105 m2", "glazing or film, all of it")
    cover_u: Annotated[float, Quantity("W/m2/K", "0.2 W/m2/K", "10 W/m2/K")] = setting(
        "4.0 W/m2/K", "heat loss of the cover"
    )
    transmittance: Share = setting(0.6, "share of the sun's radiation that comes through the cover")
    infiltration: Annotated[float, Quantity("1/s", "0 1/hour", "20 1/hour")] = setting(
        "0.6 1/hour", "air changes without wind"
    )
    wind_infiltration: Annotated[float, Quantity("1/m", "0 1/m", "2 1/hour/(m/s)")] = setting(
        "0.05 1/hour/(m/s)", "further air changes for each m/s of wind"
    )
    minimum: Annotated[float, Quantity("degC", "-5 degC", "30 degC")] = setting(
        "7 degC", "the crop needs at least this"
    )
    ceiling: Annotated[float, Quantity("degC", "5 degC", "45 degC")] = setting(
        "24 degC", "vents open and no heat is wanted above this"
    )
    mass_capacity: Annotated[float, Quantity("J/K", "10 kJ/K", "1 GJ/K")] = setting(
        "4 MJ/K", "heat capacity of soil, benches and plants"
    )
    mass_ua: Annotated[float, Quantity("W/K", "0 W/K", "50000 W/K")] = setting("350 W/K", "from that mass to the air")
    plant_conductance: Annotated[float, Quantity("kg/s", "0 kg/s", "10 kg/s")] = setting(
        "0.02 kg/s", "water given off by plants and soil per unit of humidity-ratio deficit (kg/kg)"
    )
    vent_max: Annotated[float, Quantity("1/s", "0 1/hour", "200 1/hour")] = setting(
        "40 1/hour", "air changes with the vents wide open"
    )
    emitter_ua: Annotated[float, Quantity("W/K", "0 W/K", "10000 W/K")] = setting(
        "300 W/K", "from the loop's water to the greenhouse air"
    )
    initial_temperature: Annotated[float, Quantity("degC", "-20 degC", "45 degC")] = setting(
        "10 degC", "air and mass at the start"
    )
    backup: YesNo = setting(True, "whether an ideal heater holds the minimum when the pile cannot")

    @model_validator(mode="after")
    def _band_is_open(self) -> Greenhouse:
        _rising(self, "minimum", "ceiling", strictly=True)
        return self


class Pond(Table):
    """A pond or tank in the greenhouse, with or without an exchanger on the loop."""

    volume: Annotated[float, Quantity("m3", "1 L", "200 m3")] = setting("2.5 m3", "water held")
    surface_ua: Annotated[float, Quantity("W/K", "0 W/K", "5000 W/K")] = setting(
        "40 W/K", "from pond to greenhouse air"
    )
    exchanger_ua: Annotated[float, Quantity("W/K", "0 W/K", "5000 W/K")] = setting(
        "0 W/K", "from the loop's water to the pond; 0: pond not on the loop"
    )
    initial_temperature: Annotated[float, Quantity("degC", "0 degC", "45 degC")] = setting(
        "12 degC", "temperature at the start"
    )


class Power(Table):
    """Panel, charge controller and battery of one consumer; nothing is shared between the two."""

    panel: Annotated[float, Quantity("W", "0 W", "3000 W")] = setting("100 W", "rated power of the panel")
    tilt: Annotated[float, Quantity("deg", "0 deg", "90 deg")] = setting("60 deg", "panel from horizontal")
    azimuth: Annotated[float, Quantity("deg", "0 deg", "360 deg")] = setting(
        "180 deg", "where the panel faces: 90 deg east, 180 deg south"
    )
    shade: Share = setting(0.0, "share of the light kept off the panel")
    battery: Annotated[float, Quantity("A s", "1 A h", "2000 A h")] = setting("100 A h", "capacity at 25 degC")
    kind: Literal["lead-acid", "lithium"] = setting("lead-acid", "chemistry of the 12 V battery")
    resistance: Annotated[float, Quantity("ohm", "0.001 ohm", "1 ohm")] = setting("0.02 ohm", "battery and leads")
    initial_charge: Share = setting(0.9, "state of charge at the start")
    standby: Annotated[float, Quantity("W", "0 W", "20 W")] = setting("0.5 W", "drawn day and night")
    disconnect: Annotated[float, Quantity("V", "9 V", "14 V")] = setting("11.5 V", "the load is cut off below this")
    reconnect: Annotated[float, Quantity("V", "10 V", "15 V")] = setting("12.6 V", "the load comes back above this")
    absorption: Annotated[float, Quantity("V", "13 V", "15.5 V")] = setting("14.4 V", "the charger holds at most this")
    latch_below: Annotated[float, Quantity("V", "0 V", "12 V")] = setting(
        "9.5 V", "the charge controller latches in an error when the battery falls below this"
    )

    @model_validator(mode="after")
    def _voltages_rise(self) -> Power:
        _rising(self, "latch_below", "disconnect", "reconnect", "absorption", strictly=True)
        return self


class Channel(Table):
    """What every kind of sensor shares."""

    lag: Annotated[float, Quantity("s", "0 s", "2 hour")] = setting("1 s", "time constant")
    dropout: Share = setting(0.001, "probability that a reading is missing")
    glitch: Share = setting(0.0001, "probability that a reading is the kind's known false value")


class TemperatureChannel(Channel):
    """A temperature sensor."""

    offset: Annotated[float, Quantity("K", "-20 K", "20 K")] = setting(
        "0.2 K", "fixed error; with sensors.seed_offset its standard deviation from sensor to sensor"
    )
    noise: Annotated[float, Quantity("K", "0 K", "5 K")] = setting("0.05 K", "standard deviation of a reading")
    step: Annotated[float, Quantity("K", "0 K", "5 K")] = setting("0.0625 K", "smallest step of the reading")
    false_value: Annotated[float, Quantity("degC", "-150 degC", "150 degC")] = setting(
        "85 degC", "what it reads in a glitch: a digital probe that just lost its supply reads 85 degC"
    )


class PileProbes(TemperatureChannel):
    """The two probes in the pile."""

    lag: Annotated[float, Quantity("s", "0 s", "2 hour")] = setting("300 s", "time constant")
    core_depth: Share = setting(0.35, "where the core probe sits: share of the pile's radius, 0 at the centre")
    edge_depth: Share = setting(0.9, "where the edge probe sits")


class WaterProbes(TemperatureChannel):
    """Temperature sensors on the pipes and in the tank."""

    lag: Annotated[float, Quantity("s", "0 s", "2 hour")] = setting("25 s", "time constant")


class AirProbes(TemperatureChannel):
    """Temperature sensors in air."""

    lag: Annotated[float, Quantity("s", "0 s", "2 hour")] = setting("60 s", "time constant")


class Humidity(Channel):
    """Sensors of relative humidity."""

    lag: Annotated[float, Quantity("s", "0 s", "2 hour")] = setting("60 s", "time constant")
    offset: Annotated[float, Quantity("", "-0.5", "0.5")] = setting(0.02, "fixed error, as with temperature")
    noise: Annotated[float, Quantity("", "0", "0.5")] = setting(0.02, "standard deviation of a reading")
    step: Annotated[float, Quantity("", "0", "0.5")] = setting(0.01, "smallest step of the reading")
    false_value: Share = setting(1.0, "what it reads in a glitch: a wetted sensor reads 100 %")


class FlowMeter(Channel):
    """The pulse meter in the loop."""

    offset: Annotated[float, Quantity("", "-0.5", "0.5")] = setting(0.02, "fixed error as a share of the flow")
    noise: Annotated[float, Quantity("", "0", "0.5")] = setting(0.02, "standard deviation as a share of the flow")
    step: Annotated[float, Quantity("kg", "0 kg", "10 kg")] = setting(
        "2.2222 g", "water per pulse; about 450 a kilogram"
    )
    false_value: Annotated[float, Quantity("kg/s", "0 kg/s", "10 kg/s")] = setting(
        "0 kg/s", "what it reads in a glitch: no pulses"
    )


class Voltmeter(Channel):
    """The battery voltage inputs."""

    offset: Annotated[float, Quantity("V", "-3 V", "3 V")] = setting("0.03 V", "fixed error, as with temperature")
    noise: Annotated[float, Quantity("V", "0 V", "2 V")] = setting("0.02 V", "standard deviation of a reading")
    step: Annotated[float, Quantity("V", "0 V", "1 V")] = setting("0.01 V", "smallest step of the reading")
    false_value: Annotated[float, Quantity("V", "0 V", "30 V")] = setting(
        "0 V", "what it reads in a glitch: a loose wire"
    )


class Tachometer(Channel):
    """The fan's tachometer."""

    offset: Annotated[float, Quantity("", "-0.5", "0.5")] = setting(0.0, "fixed error as a share of the speed")
    noise: Annotated[float, Quantity("1/s", "0 1/s", "20 1/s")] = setting("0.2 1/s", "standard deviation of a reading")
    step: Annotated[float, Quantity("1/s", "0 1/s", "20 1/s")] = setting("0.5 1/s", "smallest step of the reading")
    false_value: Annotated[float, Quantity("1/s", "0 1/s", "1000 1/s")] = setting(
        "0 1/s", "what it reads in a glitch: no pulses"
    )


class GasSensor(Channel):
    """Oxygen in the pile and carbon dioxide in the greenhouse."""

    lag: Annotated[float, Quantity("s", "0 s", "2 hour")] = setting("120 s", "time constant")
    offset: Annotated[float, Quantity("", "-0.5", "0.5")] = setting(0.03, "fixed error as a share of the reading")
    noise: Annotated[float, Quantity("", "0", "0.5")] = setting(0.02, "standard deviation as a share of the reading")
    step: Annotated[float, Quantity("", "0", "0.1")] = setting("10 ppm", "smallest step, as a mole fraction")
    false_value: Share = setting(0.0, "what it reads in a glitch")


CHANNEL_KIND = {
    "pile_core_c": "pile_temperature",
    "pile_edge_c": "pile_temperature",
    "water_supply_c": "water_temperature",
    "water_return_c": "water_temperature",
    "tank_c": "water_temperature",
    "air_supply_c": "air_temperature",
    "greenhouse_c": "air_temperature",
    "outdoor_c": "air_temperature",
    "air_supply_rh": "humidity",
    "greenhouse_rh": "humidity",
    "water_flow_kg_s": "flow",
    "fan_speed_hz": "tach",
    "pump_battery_v": "volts",
    "fan_battery_v": "volts",
    "pile_o2": "gas",
    "greenhouse_co2": "gas",
}
"""Which table under [sensors] describes each field of ``Measurements`` (all but ``time_s``)."""

FITTED = tuple(name for name, kind in CHANNEL_KIND.items() if kind != "gas")
_FIELDS = tuple(name for name in Measurements.__slots__ if name != "time_s")


class Sensors(Table):
    """Which sensors are fitted, and how well each kind reads."""

    fitted: tuple[str, ...] = setting(FITTED, "names of the fitted sensors")
    seed_offset: YesNo = setting(True, "draw each sensor's fixed error from the seed; false: it is `offset` for all")
    pile_temperature: PileProbes = Field(default_factory=PileProbes)
    water_temperature: WaterProbes = Field(default_factory=WaterProbes)
    air_temperature: AirProbes = Field(default_factory=AirProbes)
    humidity: Humidity = Field(default_factory=Humidity)
    flow: FlowMeter = Field(default_factory=FlowMeter)
    volts: Voltmeter = Field(default_factory=Voltmeter)
    tach: Tachometer = Field(default_factory=Tachometer)
    gas: GasSensor = Field(default_factory=GasSensor)

    @field_validator("fitted")
    @classmethod
    def _are_known(cls, names: tuple[str, ...]) -> tuple[str, ...]:
        unknown = [name for name in names if name not in _FIELDS]
        if unknown:
            raise refuse(f'"{unknown[0][:60]}" is no sensor; known are {", ".join(_FIELDS)}')
        if len(set(names)) < len(names):
            raise refuse("names a sensor twice")
        return names

    def channel(self, name: str) -> Any:
        """Return the table that describes sensor ``name``, a field of ``Measurements``."""
        return getattr(self, CHANNEL_KIND[name])


def _rising(model: Table, *names: str, strictly: bool = False) -> None:
    for lower, upper in zip(names, names[1:], strict=False):
        low, high = getattr(model, lower), getattr(model, upper)
        if low > high or (strictly and low == high):
            word = "below" if strictly else "at most"
            raise refuse(f"{lower} = {low:g} must be {word} {upper} = {high:g}")
