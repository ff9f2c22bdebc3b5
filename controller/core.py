"""The controller: readings in, one decision out. It only joins the parts; each part knows one thing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from controller.alarms import AlarmBoard
from controller.checks import Readings, SensorChecks
from controller.clock import Clock
from controller.draw import HeatAccount, crop_need, headroom_k, tapered_w, welcome, zero_draw_c
from controller.estimate import PileObserver, water_heat_w
from controller.fan import AirNeeds, FanDrive
from controller.frost import FrostGuard, frost_threat
from controller.memory import Memory, SnapshotError
from controller.phases import DRAWING, FAULTED, HOLD_OFF, RESUME_K, WINDING_DOWN, Facts, next_phase
from controller.power import BatteryGuard
from controller.pump import RUN, PumpDrive
from controller.reasons import Story, sentence
from controller.settings import ControllerSettings
from controller.signals import Commands, Decision, Measurements
from controller.water_loop import WaterLoop

SNAPSHOT_VERSION = 1
LONGEST_WAIT_S = 60.0
RAMP_TICK_S = 10.0
KICK_TICK_S = 2.0
GENTLE_DAYS_S = 3 * 86400.0
PHASE_LIMIT = {HOLD_OFF: "hold-off", FAULTED: "sensor", WINDING_DOWN: "spent"}


class Controller(Memory):
    """Runs pump and fan of one greenhouse. Pure in its own state and the measurements; ``step`` never raises."""

    __slots__ = (
        "_settings",
        "account",
        "alarms",
        "checks",
        "clock",
        "fan",
        "fan_battery",
        "frost",
        "in_phase_s",
        "loop",
        "phase",
        "phase_cause",
        "pile",
        "pump",
        "pump_battery",
    )

    def __init__(self, settings: ControllerSettings) -> None:
        s = self._settings = settings
        self.clock = Clock()
        self.checks = SensorChecks()
        self.pump_battery = BatteryGuard(s.battery_low_v, s.battery_ok_v)
        self.fan_battery = BatteryGuard(s.battery_low_v, s.battery_ok_v)
        self.pile = PileObserver(s)
        self.account = HeatAccount(s.pile_wet_mass_kg)
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
        clock, pile, s = self.clock, self.pile, self._settings
        clock.advance(m.time_s)
        dt_s = clock.dt_s
        r = self.checks.read(m, clock.now_s)
        flow_kg_s = self.pump.flow_kg_s(r.water_flow_kg_s, r.pump_battery_v)
        water_w = self._water_w(flow_kg_s, r)
        air_w = self.fan.heat_w(r)
        pile.update(r, flow_kg_s, water_w, air_w, dt_s)
        zero_c = zero_draw_c(s.pile_floor_c, pile.core_sd_c, pile.heat_made_w(r.outdoor_c) / s.pile_wet_mass_kg)
        room_k = headroom_k(pile.core_c, pile.trend.slope_per_s, zero_c)
        self._change_phase(room_k)
        drawing = self.phase in DRAWING
        allowed_w = self._allowed_w(room_k) if drawing else 0.0
        self.account.book(allowed_w, water_w + air_w, dt_s)
        need = crop_need(r.greenhouse_c, s.greenhouse_min_c)
        may_draw = self.account.gives(need, welcome(r.greenhouse_c, s.greenhouse_ceiling_c)) and drawing
        pump_duty, limit = self._pump_duty(may_draw, need, flow_kg_s, r)
        fan_duty = self._fan_duty(AirNeeds(need, drawing, self.phase != HOLD_OFF, room_k, pile.core_c, r.pile_o2), r)
        return Decision(
            Commands(pump_duty, fan_duty),
            self.phase,
            limit,
            sentence(limit, self._story(r, zero_c, flow_kg_s)),
            self._alarms(r, limit),
            pile.estimate(r.outdoor_c, zero_c + RESUME_K),
            self._next_s(limit, flow_kg_s, water_w + air_w - allowed_w),
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

    def _water_w(self, flow_kg_s: float, r: Readings) -> float:
        """Heat drawn by the water; what is not measured is taken so that the draw looks larger, not smaller."""
        if flow_kg_s <= 0.0:
            return 0.0
        supply_c = r.water_supply_c if r.water_supply_c == r.water_supply_c else self.pile.core_c
        return_c = r.water_return_c if r.water_return_c == r.water_return_c else min(r.greenhouse_c, 10.0)
        return water_heat_w(flow_kg_s, supply_c, return_c if return_c == return_c else 5.0)

    def _change_phase(self, room_k: float) -> None:
        s, pile = self._settings, self.pile
        self.in_phase_s += self.clock.elapsed_s
        phase, cause = next_phase(self.phase, Facts(pile.blind, pile.hot_s, s.start_hold_s, room_k, self.in_phase_s))
        if cause:
            self.phase, self.phase_cause, self.in_phase_s = phase, cause, 0.0

    def _allowed_w(self, room_k: float) -> float:
        allowed_w = tapered_w(room_k, self._settings.pile_wet_mass_kg)
        if self.phase == "first draw":
            allowed_w *= 0.3 + 0.7 * min(self.in_phase_s / GENTLE_DAYS_S, 1.0)
        return allowed_w

    def _pump_duty(self, may_draw: bool, need: float, flow_kg_s: float, r: Readings) -> tuple[float, str]:
        """Return the pump's duty and the one limit that decides it, first guard first."""
        clock, pump, loop = self.clock, self.pump, self.loop
        frost = self.frost.due(r.outdoor_c, r.water_return_c, r.water_supply_c, flow_kg_s, clock.elapsed_s)
        if not self.pump_battery.update(r.pump_battery_v, pump.duty, clock.dt_s):
            loop.rest(clock.elapsed_s)
            return pump.rest(clock.elapsed_s), "battery"
        target, limit = self._flow_target(may_draw, need, r)
        if frost and target < pump.least_flow_kg_s:
            target, limit = pump.least_flow_kg_s, "frost"
        if pump.locked and limit != "frost":
            loop.rest(clock.elapsed_s)
            return pump.rest(clock.elapsed_s), "no-flow"
        if target <= 0.0:
            return pump.rest(clock.elapsed_s), limit
        duty = pump.drive(target, r.water_flow_kg_s, r.water_supply_c, r.pump_battery_v, clock.elapsed_s, limit != "frost")
        return duty, limit if pump.mode == RUN or limit == "frost" else "start"

    def _flow_target(self, may_draw: bool, need: float, r: Readings) -> tuple[float, str]:
        """Return the flow the draw wants [kg/s] and what limits it."""
        clock, loop = self.clock, self.loop
        if self.phase not in DRAWING:
            return loop.rest(clock.elapsed_s), PHASE_LIMIT.get(self.phase, "pile-floor")
        if r.greenhouse_c >= self._settings.greenhouse_ceiling_c:
            return loop.rest(clock.elapsed_s), "ceiling"
        supply_c, return_c = r.water_supply_c, r.water_return_c
        if return_c != return_c:
            return_c = min(r.greenhouse_c, 15.0) if r.greenhouse_c == r.greenhouse_c else 15.0
        flow = loop.flow_kg_s(may_draw, supply_c, return_c, self.pile.core_c, clock.dt_s, clock.elapsed_s)
        if loop.limit == "pause":
            return flow, "heat-budget" if need > 0.0 else "demand"
        return flow, loop.limit

    def _fan_duty(self, needs: AirNeeds, r: Readings) -> float:
        clock, fan = self.clock, self.fan
        if not self.fan_battery.update(r.fan_battery_v, fan.duty, clock.dt_s) or self.pile.blind:
            return fan.rest()
        return fan.step(needs, r, clock.elapsed_s, clock.dt_s)

    def _alarms(self, r: Readings, limit: str) -> Any:
        s, clock, checks, pile, pump = self._settings, self.clock, self.checks, self.pile, self.pump
        threat = frost_threat(r.outdoor_c, r.water_return_c, r.water_supply_c)
        conditions = (
            pile.blind and (checks.fitted("pile_core_c") or checks.fitted("pile_edge_c")),
            checks.lost("pile_core_c") and not pile.blind,
            checks.lost("water_supply_c"),
            not self.pump_battery.allowed,
            not self.fan_battery.allowed,
            pump.locked,
            pump.dead_meter,
            r.water_supply_c > s.supply_max_c and pump.duty > 0.0,
            threat and (not self.pump_battery.allowed or pump.locked),
            pile.core_c < s.pile_floor_c and self.phase != HOLD_OFF,
            pile.core_c > 72.0,
            self.phase == WINDING_DOWN,
        )
        time_s = clock.last_time_s
        return self.alarms.update(conditions, clock.elapsed_s, time_s if time_s == time_s else 0.0)

    def _story(self, r: Readings, zero_c: float, flow_kg_s: float) -> Story:
        s, pile = self._settings, self.pile
        return Story(
            pile.core_c,
            zero_c,
            s.pile_floor_c,
            zero_c + RESUME_K,
            s.start_core_c,
            pile.hot_s,
            s.start_hold_s,
            r.greenhouse_c,
            s.greenhouse_min_c,
            s.greenhouse_ceiling_c,
            r.outdoor_c,
            r.water_supply_c,
            s.supply_target_c,
            s.supply_max_c,
            flow_kg_s,
            self.account.fullness,
            pile.drawn_day_w,
            self.pump_battery.volts,
            s.battery_ok_v,
            self.pump.locked_s,
            self.fan.on,
        )

    def _next_s(self, limit: str, flow_kg_s: float, overdraw_w: float) -> float:
        pump = self.pump
        if pump.mode in ("armed", "kick"):
            return 1.0 if pump.mode == "armed" else KICK_TICK_S
        if pump.mode != RUN:
            return LONGEST_WAIT_S
        if limit == "frost":
            return min(max(self.frost.pulse_left_s(flow_kg_s), 1.0), RAMP_TICK_S)
        if pump.on_s < 180.0:
            return RAMP_TICK_S
        return LONGEST_WAIT_S
