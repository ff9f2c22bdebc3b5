"""The controller: readings in, one decision out. It only joins the parts; each part knows one thing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from controller.alarms import AlarmBoard
from controller.checks import Readings, SensorChecks
from controller.clock import Clock
from controller.draw import HeatAccount, Outlook, crop_need, generosity, headroom_k, tapered_w, zero_draw_c
from controller.estimate import PileObserver, water_heat_w
from controller.fan import AirNeeds, FanDrive
from controller.frost import FrostGuard, frost_threat
from controller.memory import Memory, SnapshotError
from controller.phases import DRAWING, FAULTED, FIRST_DRAW, HOLD_OFF, WINDING_DOWN, Facts, next_phase
from controller.power import BatteryGuard
from controller.pump import ARMED, KICK, RUN, PumpDrive
from controller.reasons import sentence
from controller.settings import ControllerSettings
from controller.signals import Alarm, Commands, Decision, Measurements
from controller.view import View
from controller.water_loop import WaterLoop

SNAPSHOT_VERSION = 1
LONGEST_WAIT_S = 60.0
RAMP_TICK_S = 10.0
RAMPING_S = 180.0
KICK_TICK_S = 2.0
ARMED_TICK_S = 1.0
GENTLE_S = 3 * 86400.0
GENTLE_SHARE = 0.3
SPARE_FULL = 0.8
FROST_COST = 0.1  # of the heat made
TOO_HOT_C = 72.0
COOL_RETURN_C, COLD_RETURN_C = 10.0, 5.0  # what a missing return probe is taken to read
PHASE_LIMIT = {HOLD_OFF: "hold-off", FAULTED: "sensor", WINDING_DOWN: "spent"}


class Controller(Memory):
    """Runs pump and fan of one greenhouse. Pure in its own state and the measurements; ``step`` never raises."""

    __slots__ = (
        "_settings",
        "_view",
        "account",
        "alarms",
        "checks",
        "clock",
        "fan",
        "fan_battery",
        "frost",
        "in_phase_s",
        "loop",
        "outlook",
        "phase",
        "phase_cause",
        "pile",
        "pump",
        "pump_battery",
    )

    def __init__(self, settings: ControllerSettings) -> None:
        s = self._settings = settings
        self._view = View()
        self.clock = Clock()
        self.checks = SensorChecks()
        self.pump_battery = BatteryGuard(s.battery_low_v, s.battery_ok_v)
        self.fan_battery = BatteryGuard(s.battery_low_v, s.battery_ok_v)
        self.pile = PileObserver(s)
        self.account = HeatAccount(s.pile_wet_mass_kg)
        self.outlook = Outlook(s.pile_wet_mass_kg)
        self.loop = WaterLoop(s)
        self.pump = PumpDrive(s)
        self.fan = FanDrive(s)
        self.frost = FrostGuard(s.line_volume_m3)
        self.alarms = AlarmBoard()
        self.phase = HOLD_OFF
        self.phase_cause = "the season begins"
        self.in_phase_s = 0.0

    def step(self, m: Measurements) -> Decision:
        """Decide on both duties from one set of measurements; any float, NaN and infinite included, is taken."""
        clock = self.clock
        clock.advance(m.time_s)
        r = self.checks.read(m, clock.now_s)
        v = self._look(r)
        self._change_phase(v)
        self._ration(r, v)
        pump_duty = self._pump_duty(r, v)
        fan_duty = self._fan_duty(r, v)
        return Decision(
            Commands(pump_duty, fan_duty),
            self.phase,
            v.limit,
            sentence(v, r, self._settings),
            self._alarms(r, v),
            self.pile.estimate(v.made_w, v.zero_c),
            self._next_s(v),
        )

    def snapshot(self) -> dict[str, Any]:
        """Return the whole memory as JSON values; ``restore`` goes on from it exactly."""
        return {"version": SNAPSHOT_VERSION, "memory": super().snapshot()}

    @classmethod
    def restore(cls, settings: ControllerSettings, snapshot: Mapping[str, Any]) -> Controller:
        """Return a controller that goes on where the one that gave ``snapshot`` was.

        ``SnapshotError`` (a ``ValueError``) says in one line what does not fit.
        """
        if not isinstance(snapshot, Mapping) or snapshot.get("version") != SNAPSHOT_VERSION:
            raise SnapshotError(f"snapshot is not of version {SNAPSHOT_VERSION}: start afresh")
        controller = cls(settings)
        controller.recall(snapshot.get("memory", {}))
        return controller

    def _look(self, r: Readings) -> View:
        """Work out what the last step drew and how the pile stands."""
        v, pile, s, dt_s = self._view, self.pile, self._settings, self.clock.dt_s
        v.flow_kg_s = self.pump.flow_kg_s(r.water_flow_kg_s, r.pump_battery_v)
        v.water_w = self._water_w(v.flow_kg_s, r)
        v.air_w = self.fan.heat_w(r)
        pile.update(r, v.flow_kg_s, v.water_w, v.air_w, dt_s)
        v.core_c, v.drawn_day_w, v.hot_s = pile.core_c, pile.drawn_day_w, pile.hot_s
        v.made_w = pile.heat_made_w(r.outdoor_c)
        heals_c = self.outlook.lowest_c(pile.probe_c, v.made_w, v.hot_s > 0.0, dt_s) + pile.offset_k
        floor_c = zero_draw_c(s.pile_floor_c, pile.core_sd_c, v.made_w / s.pile_wet_mass_kg)
        v.zero_c = max(floor_c, heals_c) if heals_c == heals_c else floor_c
        v.room_k = headroom_k(v.core_c, pile.trend.slope_per_s, v.zero_c)
        return v

    def _water_w(self, flow_kg_s: float, r: Readings) -> float:
        """Heat drawn by the water; what is not measured is taken so that the draw looks larger, not smaller."""
        if flow_kg_s <= 0.0:
            return 0.0
        supply_c = r.water_supply_c if r.water_supply_c == r.water_supply_c else self.pile.core_c
        return water_heat_w(flow_kg_s, supply_c, _return_c(r))

    def _change_phase(self, v: View) -> None:
        s, pile = self._settings, self.pile
        self.in_phase_s += self.clock.elapsed_s
        phase, cause = next_phase(self.phase, Facts(pile.blind, v.hot_s, s.start_hold_s, v.room_k, self.in_phase_s))
        if cause:
            self.phase, self.phase_cause, self.in_phase_s = phase, cause, 0.0

    def _ration(self, r: Readings, v: View) -> None:
        """Book what the pile allows and what was drawn, and settle whether heat shall be drawn now."""
        s, account, dt_s = self._settings, self.account, self.clock.dt_s
        v.drawing = self.phase in DRAWING
        allowed_w = tapered_w(v.room_k, s.pile_wet_mass_kg) if v.drawing else 0.0
        if self.phase == FIRST_DRAW:
            allowed_w *= GENTLE_SHARE + (1.0 - GENTLE_SHARE) * min(self.in_phase_s / GENTLE_S, 1.0)
        account.book(allowed_w, v.water_w + v.air_w, dt_s)
        self.frost.book(v.water_w, dt_s)
        v.need = crop_need(r.greenhouse_c, s.greenhouse_min_c)
        v.may_draw = account.gives(v.need) and v.drawing
        v.saved = account.fullness

    def _pump_duty(self, r: Readings, v: View) -> float:
        """Return the pump's duty and note the one limit that decides it, first guard first."""
        clock, pump, loop = self.clock, self.pump, self.loop
        frost = self.frost.due(r.outdoor_c, r.water_return_c, r.water_supply_c, v.flow_kg_s, clock.elapsed_s)
        allowed = self.pump_battery.update(r.pump_battery_v, pump.duty, clock.dt_s)
        target = self._flow_target(r, v) if allowed else loop.rest(clock.elapsed_s)
        if not allowed:
            v.limit = "battery"
        elif frost and (pump.locked or target < pump.least_flow_kg_s):
            target, v.limit = pump.least_flow_kg_s, "frost"
        elif pump.locked:
            target, v.limit = loop.rest(clock.elapsed_s), "no-flow"
        v.locked_s, v.battery_v = pump.locked_s, self.pump_battery.volts
        if target <= 0.0:
            return pump.rest(clock.elapsed_s)
        duty = pump.drive(target, r.water_flow_kg_s, r.water_supply_c, r.pump_battery_v, clock.elapsed_s)
        if pump.mode != RUN and v.limit != "frost":
            v.limit = "no-flow" if pump.locked else "start"
        return duty

    def _flow_target(self, r: Readings, v: View) -> float:
        """Return the flow the draw wants [kg/s] and note what limits it."""
        clock, loop = self.clock, self.loop
        if not v.drawing:
            v.limit = PHASE_LIMIT.get(self.phase, "pile-floor")
            return loop.rest(clock.elapsed_s)
        if r.greenhouse_c >= self._settings.greenhouse_ceiling_c:
            v.limit = "ceiling"
            return loop.rest(clock.elapsed_s)
        effort = min(v.need, generosity(v.room_k))
        flow_kg_s = loop.flow_kg_s(
            v.may_draw, effort, r.water_supply_c, _return_c(r), v.core_c, clock.dt_s, clock.elapsed_s
        )
        v.limit = loop.limit if loop.limit != "pause" else "heat-budget" if v.need > 0.0 else "demand"
        return flow_kg_s

    def _fan_duty(self, r: Readings, v: View) -> float:
        clock, fan = self.clock, self.fan
        allowed = self.fan_battery.update(r.fan_battery_v, fan.duty, clock.dt_s)
        needs = AirNeeds(v.need, v.drawing, self.phase != HOLD_OFF, v.saved > SPARE_FULL, v.room_k, v.core_c, r.pile_o2)
        duty = fan.step(needs, r, clock.dt_s) if allowed and not self.pile.blind else fan.rest()
        v.fan_on = duty > 0.0
        return duty

    def _alarms(self, r: Readings, v: View) -> tuple[Alarm, ...]:
        s, clock, checks, pile, pump = self._settings, self.clock, self.checks, self.pile, self.pump
        no_pump = not self.pump_battery.allowed or pump.locked
        conditions = (  # in the order of alarms.KINDS
            pile.blind and (checks.fitted("pile_core_c") or checks.fitted("pile_edge_c")),
            checks.lost("pile_core_c") and not pile.blind,
            checks.lost("water_supply_c"),
            not self.pump_battery.allowed or checks.lost("pump_battery_v"),
            not self.fan_battery.allowed or checks.lost("fan_battery_v"),
            pump.locked,
            pump.dead_meter,
            pump.duty > 0.0 and r.water_supply_c > s.supply_max_c,
            no_pump and frost_threat(r.outdoor_c, r.water_return_c, r.water_supply_c),
            self.frost.heat_day_w > FROST_COST * v.made_w,
            v.core_c < s.pile_floor_c and self.phase != HOLD_OFF,
            v.core_c > TOO_HOT_C,
            self.phase == WINDING_DOWN,
        )
        return self.alarms.update(conditions, clock.elapsed_s, clock.stamp_s)

    def _next_s(self, v: View) -> float:
        pump = self.pump
        if pump.mode == RUN:
            if v.limit == "frost":
                return min(max(self.frost.pulse_left_s(v.flow_kg_s), 1.0), RAMP_TICK_S)
            return RAMP_TICK_S if pump.on_s < RAMPING_S else LONGEST_WAIT_S
        return ARMED_TICK_S if pump.mode == ARMED else KICK_TICK_S if pump.mode == KICK else LONGEST_WAIT_S


def _return_c(r: Readings) -> float:
    """Return water as measured, else as cold as it can well be [degC]."""
    if r.water_return_c == r.water_return_c:
        return r.water_return_c
    return min(r.greenhouse_c, COOL_RETURN_C) if r.greenhouse_c == r.greenhouse_c else COLD_RETURN_C
