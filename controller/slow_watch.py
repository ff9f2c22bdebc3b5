"""Watches what takes minutes to weeks to be seen, every ten minutes, and says what is so in the order of ``SLOW_KINDS``."""

from __future__ import annotations

from math import nan
from typing import TYPE_CHECKING

from controller.air_test import DAY_S, DRY, PULSE_DUTY, REST_S, ROOM_K, SPENT, AirTest
from controller.alarm_kinds_slow import ON_ONE_WIRE, SILENT, SLOW_KINDS
from controller.battery_health import LATCHED
from controller.checks import Readings, SensorChecks
from controller.dawn_volts import DawnVolts
from controller.edge_watch import EdgeWatch
from controller.fan import AIRLESS, AirNeeds, FanDrive
from controller.flicker import Flicker
from controller.frost import COLD_OUTDOOR_C, frost_threat
from controller.house_watch import HouseWatch
from controller.idle_water import IdleWater
from controller.memory import Memory
from controller.output_trend import OutputTrend
from controller.phases import DRAINED, HOLD_OFF, REST, WINDING_DOWN
from controller.pulled_probe import PulledProbe
from controller.pump import METER_LAG_S, RUN
from controller.settings import ControllerSettings
from controller.view import View

if TYPE_CHECKING:
    from controller.core import Controller

LOOK_S = 600.0
STEADY_S = 120.0  # the pump is past its ramp
BLOWN_S = 50.0  # the fan has brought new air to the end of the duct
LOW_FLOW, HIGH_FLOW = 0.85, 1.25
SLOW_FAN, FAST_FAN = 0.85, 1.15
CORE_EDGE_K, HOUSE_OUTDOOR_K = 20.0, 6.0
AIR_FOLLOW = 0.03
NO_AIR_SHARE = 0.1
TELLING_SPAN_K = 25.0
THAWED_C = 1.0
TOGETHER = 3


class SlowWatch(Memory):
    """All slow detectors of one controller."""

    __slots__ = (
        "_settings",
        "air_share",
        "air_test",
        "edge",
        "edge_above_k",
        "fan_dawn",
        "fan_duty",
        "fan_on_s",
        "fan_trend",
        "flicker_watch",
        "flow_trend",
        "found",
        "house",
        "house_below_k",
        "idle",
        "locked",
        "metered_kg_s",
        "off_s",
        "pulled",
        "pump_dawn",
        "pump_duty",
        "steps",
        "too_warm_outdoors",
        "wait_s",
    )

    def __init__(self, settings: ControllerSettings) -> None:
        self._settings = settings
        self.pulled = PulledProbe()
        self.flicker_watch = Flicker()
        self.idle = IdleWater(settings.pump_full_flow_kg_s)
        self.flow_trend = OutputTrend()
        self.fan_trend = OutputTrend()
        self.pump_dawn = DawnVolts(settings.pump_battery.low_v)
        self.fan_dawn = DawnVolts(settings.fan_battery.low_v)
        self.house = HouseWatch()
        self.edge = EdgeWatch()
        self.air_test = AirTest()
        self.air_share = nan
        self.pump_duty = self.fan_duty = self.fan_on_s = self.off_s = 0.0
        self.metered_kg_s = nan
        self.edge_above_k = self.house_below_k = nan
        self.wait_s = self.steps = 0.0
        self.locked = self.too_warm_outdoors = False
        self.found = [False] * len(SLOW_KINDS)

    def screen(self, r: Readings, checks: SensorChecks, elapsed_s: float) -> None:
        """Blank what is not believed: a core probe out of the pile, a meter that counts while the water stands."""
        air_c = warmest_air_c(r) if self.pulled.pulled else nan
        restless = self.flicker_watch.restless(checks, "pile_core_c", self.steps)
        r.pile_core_c = self.pulled.screen(r.pile_core_c, air_c, elapsed_s, restless)
        self.metered_kg_s = r.water_flow_kg_s
        if self.idle.lies:
            r.water_flow_kg_s = nan

    def doubted(self, checks: SensorChecks, name: str) -> bool:
        """Whether a sensor leaps or drops out so often that a change of its reading proves nothing."""
        return self.flicker_watch.doubted(checks, name, self.steps)

    def look(self, c: Controller, r: Readings, v: View) -> None:
        """Take one step: the readings of the motors' last duties at once, all else every ten minutes."""
        elapsed_s = c.clock.elapsed_s
        self.steps += 1.0
        self.wait_s += elapsed_s
        if self.pump_duty > 0.0:
            self._pumped(c, r)
        else:
            self.off_s += elapsed_s
        if self.fan_duty > 0.0:
            self._blown(r, v, c.clock.now_s, elapsed_s)
        else:
            self.fan_on_s = 0.0
        self.pump_duty, self.fan_duty = c.pump.duty, c.fan.duty
        if self.wait_s >= LOOK_S or c.pump.locked != self.locked:
            self._review(c, r, v)

    def fan_duty_for(self, fan: FanDrive, needs: AirNeeds, dt_s: float) -> float:
        """Return the fan's duty: a pulse of the air test, less than usual where air does harm, else as it decides itself."""
        test = self.air_test
        if test.wants_air(self.wait_s) and fan.limit == "air":
            return fan.by_hand(PULSE_DUTY)
        if self.edge.by_air or test.verdict == DRY:  # no harvest by air; dry: none at all, unless oxygen is short
            needs.spare = False
            if test.verdict == DRY and not needs.pile_o2 < AIRLESS:
                return fan.rest()
        return fan.step(needs, dt_s)

    def _pumped(self, c: Controller, r: Readings) -> None:
        pump = c.pump
        if self.off_s > 0.0:
            self.off_s = 0.0
            self.idle.pump_ran()
        if pump.mode == RUN and pump.on_s >= STEADY_S and not pump.dead_meter:
            self.flow_trend.update(self.pump_duty * r.pump_battery_v / 12.0, r.water_flow_kg_s, c.clock.now_s)

    def _blown(self, r: Readings, v: View, now_s: float, elapsed_s: float) -> None:
        self.fan_on_s = self.fan_on_s + elapsed_s if self.fan_on_s < 1e6 else self.fan_on_s
        if self.fan_on_s < BLOWN_S:
            return
        self.fan_trend.update(self.fan_duty * r.fan_battery_v / 12.0, r.fan_speed_hz, now_s)
        self.air_test.sniff(r.air_supply_rh)
        span_k = v.core_c - r.outdoor_c
        if span_k > TELLING_SPAN_K and r.air_supply_c == r.air_supply_c:
            share = min(max((r.air_supply_c - r.outdoor_c) / span_k, 0.0), 1.0)
            known = self.air_share == self.air_share
            self.air_share = self.air_share + AIR_FOLLOW * (share - self.air_share) if known else 0.5 * (share + 0.5)

    def _review(self, c: Controller, r: Readings, v: View) -> None:
        elapsed_s, self.wait_s, self.locked = self.wait_s, 0.0, c.pump.locked
        self.flicker_watch.review(c.checks, self.steps, elapsed_s)
        self.steps = 0.0
        if self.off_s > METER_LAG_S:
            off_s = min(elapsed_s, self.off_s)
            supply_c = nan if c.noise.doubts("water_supply_c") else r.water_supply_c
            return_c = nan if c.noise.doubts("water_return_c") else r.water_return_c
            if c.swap.swapped:
                supply_c, return_c = return_c, supply_c
            self.idle.update(supply_c, return_c, warmest_air_c(r), self.metered_kg_s, off_s)
        self.pump_dawn.update(c.pump_battery.volts, elapsed_s)
        self.fan_dawn.update(c.fan_battery.volts, elapsed_s)
        self.house.update(r.greenhouse_c, r.outdoor_c, r.greenhouse_rh, elapsed_s)
        self.edge.update(r.pile_edge_c, v.core_c, self.fan_duty > 0.0, elapsed_s)
        self._compare(r)
        self._test_air(c, r, elapsed_s)
        self.found = [*self._silent(c), *self._probes(c), *self._water(c, r), *self._air(), *self._rest(c)]

    def _compare(self, r: Readings) -> None:
        self.edge_above_k = r.pile_edge_c - r.pile_core_c
        self.house_below_k = r.outdoor_c - r.greenhouse_c
        standing = self.pump_duty <= 0.0 and (r.water_supply_c < THAWED_C or r.water_return_c < THAWED_C)
        self.too_warm_outdoors = standing and r.outdoor_c >= COLD_OUTDOOR_C

    def _test_air(self, c: Controller, r: Readings, elapsed_s: float) -> None:
        rests_s = {REST: c.in_phase_s, WINDING_DOWN: REST_S + c.in_phase_s}.get(c.phase, 0.0)
        warm = c.pile.core_c > self._settings.pile_floor_c + ROOM_K
        may = warm and c.fan.limit == "air" and c.fan_battery.allowed and not c.fan_watch.locked
        self.air_test.smell(r.pile_o2, elapsed_s)
        self.air_test.update(rests_s, DAY_S * c.pile.trend.slope_per_s, r.outdoor_c, may, elapsed_s)

    def _silent(self, c: Controller) -> list[bool]:
        lost = c.checks.lost
        together = sum(map(lost, ON_ONE_WIRE)) >= TOGETHER
        fitted = [sensor.value for sensor in c.checks.sensors if sensor.fitted]
        nothing = len(fitted) >= TOGETHER and all(value != value for value in fitted)
        return [*(lost(row[0]) for row in SILENT), nothing, together]

    def _probes(self, c: Controller) -> list[bool]:
        return [
            self.flicker > 0.0,
            self.pulled.pulled and not self.flicker_watch.known("pile_core_c"),  # else its plug is bad
            self.edge_above_k > CORE_EDGE_K and c.phase != HOLD_OFF,
            self.house_below_k > HOUSE_OUTDOOR_K,
        ]

    def _water(self, c: Controller, r: Readings) -> list[bool]:
        idle, share = self.idle, self.flow_trend.told
        threat = frost_threat(c.frost_outdoor_c(r), r.water_return_c, r.water_supply_c)
        frozen = c.pump.locked and threat and c.phase != DRAINED
        return [
            idle.warm and not idle.runs_on,
            idle.runs_on,
            frozen and c.pump_health.verdict(False, True) != LATCHED,
            share < LOW_FLOW,
            share > HIGH_FLOW,
        ]

    def _air(self) -> list[bool]:
        speed = self.fan_trend.told
        return [speed < SLOW_FAN or speed > FAST_FAN, self.air_share < NO_AIR_SHARE]

    def _rest(self, c: Controller) -> list[bool]:
        """Power, house and pile."""
        pump, fan, test = self.pump_dawn.falling, self.fan_dawn.falling, self.air_test
        return [
            pump and not fan,
            fan and not pump,
            pump and fan,
            self.house.open,
            self.house.wet,
            self.edge.cools and not self.edge.by_air,
            self.edge.by_air,
            test.airless and c.phase != HOLD_OFF,
            test.verdict == DRY,
            c.phase == WINDING_DOWN and test.verdict == SPENT,
        ]

    @property
    def outdoor_doubted(self) -> bool:
        """Whether the outdoor probe cannot be right: frost is then judged by the water."""
        return self.too_warm_outdoors or self.house_below_k > HOUSE_OUTDOOR_K

    # --- what alarms quote

    @property
    def flicker(self) -> float:
        """The sensors that give bad readings, a bit for each place in ``FLICKERING``; 0 for none."""
        return self.flicker_watch.bad

    @property
    def pulled_to_c(self) -> float:
        """What the core probe read when it fell too fast."""
        return self.pulled.to_c

    @property
    def idle_l_min(self) -> float:
        """Flow by the meter [L/min, a kilogram taken as a litre]."""
        return 60.0 * self.metered_kg_s

    @property
    def flow_percent(self) -> float:
        """Flow at the same drive, of what it was at first [%]."""
        return 100.0 * self.flow_trend.share

    @property
    def fan_percent(self) -> float:
        """Fan speed at the same drive, of what it was at first [%]."""
        return 100.0 * self.fan_trend.share

    @property
    def air_percent(self) -> float:
        """How far from outdoors to the core the air gets that the fan brings [%]."""
        return 100.0 * self.air_share

    @property
    def pump_dawn_v(self) -> float:
        """Lowest rest voltage of the pump's battery in the last night."""
        return self.pump_dawn.last_v

    @property
    def fan_dawn_v(self) -> float:
        """Lowest rest voltage of the fan's battery in the last night."""
        return self.fan_dawn.last_v

    @property
    def house_above_k(self) -> float:
        """Greenhouse above outdoors, half-hour mean [K]."""
        return self.house.above_k

    @property
    def wet_hours(self) -> float:
        """Hours of the last two days with air wetter than the limit of mould."""
        return self.house.wet_hours

    @property
    def edge_fall_k(self) -> float:
        """How much the edge lost within a day [K]."""
        return self.edge.edge_fall_k


def warmest_air_c(r: Readings) -> float:
    """Return the warmer of greenhouse and outdoor air; a heated house where neither is known [degC]."""
    house_c, outdoor_c = r.greenhouse_c, r.outdoor_c
    if house_c != house_c:
        return outdoor_c if outdoor_c == outdoor_c else 20.0
    return outdoor_c if outdoor_c > house_c else house_c
