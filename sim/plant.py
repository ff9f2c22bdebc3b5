"""The simulated greenhouse as a plant behind the controller's contract: measure, apply, advance."""

from __future__ import annotations

import calendar
import copy
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from controller.signals import Commands, Measurements
from sim import layout as at
from sim.greenhouse import air_temperature
from sim.kernel import S_SIZE, advance, core_c, new_work, read_sensors, true_values, weather_at
from sim.panel import panel_power_w
from sim.params import CHANNEL_KIND_ORDER, first_flags, first_state, parameters, sensor_table
from sim.pile import W_SIZE
from sim.power import FAN_SIDE, PUMP_SIDE, ChargeController
from sim.water import water_c
from sim.weather import load_weather

if TYPE_CHECKING:
    from sim.scenario import Scenario

Floats = NDArray[np.float64]

HALF_HOUR_S = 1800.0
NOMINAL_YEAR = 2001  # time stamps of typical years are put into this one
LONGEST_ADVANCE_S = 30 * 86400.0
_OWN = ("params", "state", "first_state", "flags", "ledger", "sensors", "_chance", "_lagged", "_reading")


@lru_cache(maxsize=32)
def weather_table(scenario: Scenario) -> tuple[Floats, float, float, float]:
    """Hourly kernel weather (hours, W_SIZE) of a scenario, with ground temperature, mean pressure and time zone.

    Columns as `sim.pile` names them; panel power of both supplies is worked out once here.
    """
    weather = load_weather(scenario)
    columns = [
        weather.temperature_c,
        weather.rh,
        weather.wind_m_s,
        weather.ghi_w_m2,
        weather.sky_c,
        weather.rain_m_s,
        panel_power_w(weather, scenario.pump_power),
        panel_power_w(weather, scenario.fan_power),
        np.zeros_like(weather.rh),
    ]
    return (
        np.ascontiguousarray(np.column_stack(columns)),
        weather.ground_c,
        float(weather.pressure_pa.mean()),
        weather.tz,
    )


class Truth:
    """Ground truth of a plant, read live. Names carry units; ``*_j`` and ``*_kg`` totals run from the start."""

    __slots__ = ("_plant", "_y", "_p", "_flags", "_ledger")

    def __init__(self, plant: Plant) -> None:
        self._plant = plant
        self._y, self._p, self._flags, self._ledger = plant.state, plant.params, plant.flags, plant.ledger

    @property
    def time_s(self) -> float:
        """Time of the plant, as in ``Measurements.time_s``."""
        return self._plant.time_s

    @property
    def edge_c(self) -> float:
        """Where the edge probe sits."""
        return self._plant.true_reading("pile_edge_c")

    @property
    def supply_c(self) -> float:
        """Water leaving the pile (standing in the pipe when the pump is off)."""
        return float(water_c(self._y[at.Y_RING + at.RING_SUPPLY]))

    @property
    def return_c(self) -> float:
        """Water entering the pile."""
        return float(water_c(self._y[at.Y_RING + at.RING - 1]))

    @property
    def coil_outlet_c(self) -> float:
        """Water in the last turns of the coil, inside the drum."""
        return float(water_c(self._y[at.Y_RING + at.RING_DRUM]))

    @property
    def greenhouse_c(self) -> float:
        """Greenhouse air."""
        return float(air_temperature(self._y[at.Y_AIR], self._p[at.P_HOUSE_AIR_KG], self._y[at.Y_VAPOUR]))

    @property
    def greenhouse_rh(self) -> float:
        """Relative humidity of greenhouse air, 0..1."""
        return self._plant.true_reading("greenhouse_rh")

    @property
    def outdoor_c(self) -> float:
        """Outdoor air."""
        return self._plant.true_reading("outdoor_c")

    @property
    def tank_c(self) -> float:
        """Pond or tank in the greenhouse."""
        return float(self._y[at.Y_POND] / self._p[at.P_POND_CAPACITY])

    @property
    def drum_c(self) -> float:
        """Drum in the pile's core."""
        return float(self._y[at.Y_DRUM] / self._p[at.P_DRUM_CAPACITY])

    @property
    def pump_soc(self) -> float:
        """Charge of the pump's battery, 0..1."""
        return float(self._y[at.Y_CHARGE + PUMP_SIDE] / self._p[at.P_BAT_CAPACITY + PUMP_SIDE])

    @property
    def fan_soc(self) -> float:
        """Charge of the fan's battery, 0..1."""
        return float(self._y[at.Y_CHARGE + FAN_SIDE] / self._p[at.P_BAT_CAPACITY + FAN_SIDE])

    @property
    def shells_c(self) -> Floats:
        """Temperatures of the shells, innermost first, (SHELLS,)."""
        return self._plant.shell_temperatures_c()


def _flag(index: int, text: str) -> property:
    return property(lambda self: float(self._flags[index]), doc=text)


def _total(index: int, text: str) -> property:
    return property(lambda self: float(self._ledger[index]), doc=text)


for _name, _index, _text in (
    ("core_c", at.G_CORE_C, "True core temperature: inner shells and coil skin, weighted by heat capacity."),
    ("surface_c", at.G_SURFACE_C, "Surface of the pile under the cover's outside."),
    ("flow_kg_s", at.G_FLOW_KG_S, "Water flow."),
    ("fan_kg_s", at.G_FAN_KG_S, "Dry air drawn from the pile, duct leaks included."),
    ("air_supply_c", at.G_DUCT_C, "Air at the greenhouse end of the duct."),
    ("pump_v", at.G_VOLTS_PUMP, "Pump battery, terminal voltage."),
    ("fan_v", at.G_VOLTS_FAN, "Fan battery, terminal voltage."),
    ("heat_made_w", at.G_MADE_W, "Heat that biology makes now."),
    ("backup_w", at.G_BACKUP_W, "Power of the ideal backup heater now."),
    ("pump_on", at.G_PUMP_RUNS, "1 while the pump turns."),
    ("fan_on", at.G_FAN_RUNS, "1 while the fan turns."),
    ("frozen", at.G_FROZEN, "1 while ice blocks the loop."),
):
    setattr(Truth, _name, _flag(_index, _text))
for _name, _index, _text in (
    ("heat_water_j", at.L_HEAT_WATER, "Heat the loop gave to greenhouse air and pond."),
    ("heat_air_j", at.L_HEAT_AIR, "Enthalpy pile air brought above greenhouse air."),
    ("heat_useful_j", at.L_USEFUL, "Both, while the greenhouse was below its ceiling."),
    ("drawn_j", at.L_DRAWN, "Heat taken out of the pile by water and fan."),
    ("made_j", at.L_MADE, "Heat made by biology."),
    ("backup_j", at.L_BACKUP, "Heat of the ideal backup heater."),
    ("pump_j", at.L_PUMP_J, "Electricity of the pump."),
    ("fan_j", at.L_FAN_J, "Electricity of the fan."),
    ("outage_s", at.L_OUTAGE_S, "Time with either load disconnected."),
    ("flow_s_kg", at.L_PUMPED_KG, "Water pumped."),
    ("frozen_s", at.L_FROZEN_S, "Time the loop was blocked by ice."),
):
    setattr(Truth, _name, _total(_index, _text))


class Plant:
    """A pile-heated greenhouse that runs in simulated time.

    Parameters
    ----------
    scenario : Scenario
        What is built, where, and when it starts.
    seed : int
        Fixes every sensor's error and noise: the same seed gives the same bits.

    Notes
    -----
    ``state``, ``params``, ``flags``, ``ledger`` and ``sensors`` are the kernel's flat arrays (`sim.layout`); faults
    and studies may change them in place.
    """

    def __init__(self, scenario: Scenario, seed: int = 0) -> None:
        self.scenario = scenario
        self.table, ground_c, pressure_pa, tz = weather_table(scenario)
        rng = np.random.default_rng(seed)
        self.params = parameters(scenario, ground_c, pressure_pa)
        self.state = first_state(scenario, self.params)
        self.first_state = self.state.copy()
        self.flags = first_flags(scenario)
        self.ledger = np.zeros(at.L_SIZE)
        self.sensors = sensor_table(scenario, rng)
        self._chance = rng.integers(1, 2**63, size=1, dtype=np.uint64)
        self._work = new_work()
        self._lagged, self._reading = np.zeros(S_SIZE), np.zeros(S_SIZE)
        self._table_start_s = 3600.0 * scenario.place.start_hour - HALF_HOUR_S  # rows are means over their hour
        self._epoch_s = calendar.timegm((NOMINAL_YEAR, 1, 1, 0, 0, 0)) + 3600.0 * (scenario.place.start_hour - tz)
        self._elapsed_s = 0.0
        self._pump_duty = self._fan_duty = 0.0
        self.supplies = (ChargeController(self.flags, PUMP_SIDE), ChargeController(self.flags, FAN_SIDE))
        self.flags[at.G_CORE_C] = core_c(self.state, self.params)
        self._settle_sensors()
        self.truth = Truth(self)

    @property
    def time_s(self) -> float:
        """UTC epoch of the nominal start, advanced by simulated time. [s]"""
        return self._epoch_s + self._elapsed_s

    def measure(self) -> Measurements:
        """Read every sensor once, with its noise, lag and whims."""
        read_sensors(self._lagged, self.sensors, self._chance, self._reading)
        readings = dict(zip(CHANNEL_KIND_ORDER, self._reading.tolist(), strict=True))
        return Measurements(time_s=self._epoch_s + self._elapsed_s, **readings)

    def apply(self, commands: Commands) -> None:
        """Set both duties; anything outside 0..1 or not finite raises ``ValueError``."""
        for name, duty in (("pump_duty", commands.pump_duty), ("fan_duty", commands.fan_duty)):
            if not 0.0 <= duty <= 1.0:
                raise ValueError(f"{name} = {duty}: must be 0..1")
        self._pump_duty, self._fan_duty = float(commands.pump_duty), float(commands.fan_duty)

    def advance(self, dt_s: float) -> None:
        """Let ``dt_s`` seconds pass under the commands last applied; 0 < dt_s <= 30 days, else ``ValueError``."""
        if not 0.0 < dt_s <= LONGEST_ADVANCE_S:
            raise ValueError(f"dt_s = {dt_s}: must be above 0 and at most {LONGEST_ADVANCE_S:.0f} s")
        advance(
            self.state, self.params, self.flags, self.ledger, self.table, self.sensors, self._lagged, self._work,
            self._table_start_s + self._elapsed_s, dt_s, self._pump_duty, self._fan_duty,
        )  # fmt: skip
        self._elapsed_s += dt_s

    def copy(self) -> Plant:
        """The same plant at the same moment, going its own way from here; only the weather table is shared."""
        twin = copy.copy(self)
        for name in _OWN:
            setattr(twin, name, getattr(self, name).copy())
        twin._work = new_work()
        twin.supplies = (ChargeController(twin.flags, PUMP_SIDE), ChargeController(twin.flags, FAN_SIDE))
        twin.truth = Truth(twin)
        return twin

    def true_reading(self, name: str) -> float:
        """What a perfect sensor of the ``Measurements`` field ``name`` would read now."""
        return float(self._true_readings()[CHANNEL_KIND_ORDER.index(name)])

    def shell_temperatures_c(self) -> Floats:
        """Temperatures of the shells, innermost first, (SHELLS,)."""
        from sim.kernel import shell_c

        return np.array([shell_c(self.state, self.params, i) for i in range(at.SHELLS)])

    def _true_readings(self) -> Floats:
        w, values = np.zeros(W_SIZE), np.zeros(S_SIZE)
        weather_at(self.table, self._table_start_s + self._elapsed_s, self.params[at.P_PRESSURE], w)
        true_values(self.state, self.params, w, self.flags, self.sensors, values)
        return values

    def _settle_sensors(self) -> None:
        self.flags[at.G_DUCT_W] = self.state[at.Y_VAPOUR] / self.params[at.P_HOUSE_AIR_KG]
        self._lagged[:] = self._true_readings()
