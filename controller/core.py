"""The controller: readings in, one decision out. It only joins the parts; each part knows one thing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import nan
from typing import Any

from controller.alarms import AlarmBoard
from controller.battery_health import BatteryHealth
from controller.checks import Readings, SensorChecks, likely_return_c
from controller.clock import Clock
from controller.coil import expected_rise_k
from controller.coil_watch import CoilWatch
from controller.conditions import conditions
from controller.draw import (
    START_FULL,
    START_NEED,
    HeatAccount,
    Outlook,
    crop_need,
    draw_left_h,
    generosity,
    headroom_k,
    tapered_w,
    zero_draw_c,
)
from controller.estimate import PileObserver, water_heat_w
from controller.fan import AirNeeds, FanDrive, air_share
from controller.fan_watch import FanWatch
from controller.flow_witness import FlowWitness
from controller.frost import PROOF_ROOM_K, FrostGuard
from controller.giving_way import floor_may_be_spent, ranks, recovery_days, reserve_levels_v
from controller.guards import FAR_BELOW_SHARE, crop_at_risk, fan_turns, hand_run_takes_heat
from controller.hand_run import CALL_AGAIN_S, HandRun
from controller.leap_watch import LeapWatch
from controller.memory import Memory, SnapshotError
from controller.phases import (
    DECLARED,
    DRAINED,
    DRAWING,
    FAULTED,
    FIRST_DRAW,
    HOLD_OFF,
    MANUAL,
    REST,
    WINDING_DOWN,
    Facts,
    next_phase,
)
from controller.power import BatteryGuard
from controller.pump import ARMED, KICK, METER_LAG_S, RUN, PumpDrive
from controller.reasons import sentence
from controller.settings import ControllerSettings
from controller.signals import Alarm, Commands, Decision, Measurements, PileEstimate
from controller.slow_watch import SlowWatch
from controller.stuck import StuckWatch
from controller.swap_watch import SwapWatch
from controller.tank import TankGuard
from controller.view import View
from controller.water_loop import WaterLoop
from controller.water_noise import WaterNoise

SNAPSHOT_VERSION = 14
LONGEST_WAIT_S = 60.0
RAMP_TICK_S = 10.0
RAMPING_S = 180.0
KICK_TICK_S = 2.0
ARMED_TICK_S = 1.0
GENTLE_S = 3 * 86400.0
GENTLE_SHARE = 0.3
SPARE_FULL = 0.8
SPENDING_EFFORT = 0.5  # of the flow target: a slow draw from below the floor lasts longer
STALE_S = 90.0  # in so long cool water has become too hot behind a probe that gives no reading
USUAL_RETURN_C = 12.0  # of a loop through a house kept frost-free (own judgement)
PHASE_LIMIT = {HOLD_OFF: "hold-off", FAULTED: "sensor", WINDING_DOWN: "spent"}


class Controller(Memory):
    """Runs pump and fan of one greenhouse. Pure in its own state and the measurements; ``step`` never raises."""

    __slots__ = (
        "_ranks",
        "_settings",
        "_view",
        "account",
        "alarms",
        "at_risk",
        "before",
        "checks",
        "clock",
        "coil",
        "drained",
        "fan",
        "fan_battery",
        "fan_health",
        "fan_watch",
        "frost",
        "hand",
        "in_phase_s",
        "leap",
        "loop",
        "noise",
        "outlook",
        "phase",
        "phase_cause",
        "pile",
        "pump",
        "pump_battery",
        "pump_health",
        "slow",
        "stuck",
        "swap",
        "tank",
        "witness",
    )

    def __init__(self, settings: ControllerSettings) -> None:
        s = self._settings = settings
        self._view = View()
        self.clock = Clock()
        self.checks = SensorChecks()
        self.coil = CoilWatch()
        self._ranks = ranks(s.giving_way)
        self._equip_power(s)
        self.pile = PileObserver(s)
        self.account = HeatAccount(s.pile_wet_mass_kg)
        self.outlook = Outlook(s.pile_wet_mass_kg)
        self.loop = WaterLoop(s)
        self.pump = PumpDrive(s)
        self.fan = FanDrive(s)
        self.noise = WaterNoise()
        self.frost = FrostGuard(s.line_volume_m3, self.noise)
        self.alarms = AlarmBoard()
        self.stuck = StuckWatch()
        self.leap = LeapWatch(self.checks)
        self.slow = SlowWatch(s)
        self.swap = SwapWatch()
        self.witness = FlowWitness(s.coil_ua_w_k)
        self.fan_watch = FanWatch()
        self.tank = TankGuard(s.tank_change_max_k)
        self.hand = HandRun()
        self.drained = False
        self.at_risk = False
        self.phase = self.before = HOLD_OFF
        self.phase_cause = "the season begins"
        self.in_phase_s = 0.0

    def _equip_power(self, s: ControllerSettings) -> None:
        """Two supplies that share nothing; the reserve is split by the order of giving way."""
        pump, fan = s.pump_battery, s.fan_battery
        frost_v, crop_v, draw_v = reserve_levels_v(self._ranks, pump.low_v, min(pump.chemistry.empty_v, pump.low_v))
        self.pump_battery = BatteryGuard(draw_v, pump.ok_v, s.pump_power_w, frost_v, crop_v)
        self.fan_battery = BatteryGuard(fan.low_v, fan.ok_v, s.fan_power_w)
        self.pump_health = BatteryHealth(pump.chemistry.charging_v, s.pump_power_w)
        self.fan_health = BatteryHealth(fan.chemistry.charging_v, s.fan_power_w)

    @property
    def settings(self) -> ControllerSettings:
        """The settings it was made with."""
        return self._settings

    def hand_run(self, pump_duty: float, fan_duty: float, for_s: float) -> None:
        """Run pump and fan at these duties (0..1) for ``for_s`` seconds, half an hour at most; then it ends by itself.

        Every guard stands above it: pile floor, battery, water, scald, greenhouse air. A new hand-run replaces the old
        one. ``ValueError`` names in one line what is out of range, or that the loop is drained.
        """
        if self.drained and pump_duty > 0.0:
            raise ValueError(f"pump_duty = {pump_duty!r} with a drained loop: fill it and declare it filled first")
        self.hand.ask(pump_duty, fan_duty, for_s)

    def end_hand_run(self) -> None:
        """End a hand-run now."""
        self.hand.end()

    def expect(self, sensors: Iterable[str]) -> None:
        """Note which sensors the plant has, so that one that never reads is told too, even after a loss of memory.

        Without it a sensor is known from its first reading on. Names as in ``Measurements``; ``ValueError`` for others.
        """
        self.checks.expect(sensors)

    def declare_drained(self) -> None:
        """Note that the loop holds no water: from the next step on the pump never runs, not even against frost."""
        self.drained = True
        self.hand.end()

    def declare_filled(self) -> None:
        """Note that the loop holds water again; the pile then rests before the next draw."""
        if self.drained:
            self.drained = False
            self.before = REST if self.before in DRAWING else self.before

    def acknowledge(self, code: str) -> bool:
        """Note that the grower has seen an alarm; return whether it was waiting for that.

        Nothing needs it to stay safe. ``ValueError`` for a code that does not exist.
        """
        return self.alarms.acknowledge(code)

    def step(self, m: Measurements) -> Decision:
        """Decide on both duties from one set of measurements; any float, NaN and infinite included, is taken."""
        clock = self.clock
        clock.advance(m.time_s)
        self.hand.pass_time(clock.elapsed_s)
        r = self.checks.read(m, clock.now_s)
        self.slow.screen(r, self.checks, clock.elapsed_s)
        self.stuck.screen(r, clock.dt_s)
        self._watch_leaps(r)
        v = self._look(r)
        self._change_phase(v)
        self._ration(r, v)
        self._watch(r, v)
        pump_duty = self._pump_duty(r, v)
        fan_duty = self._fan_duty(r, v)
        return Decision(
            Commands(pump_duty, fan_duty),
            self.phase,
            v.limit,
            sentence(v, r, self._settings),
            self._alarms(r, v),
            self._estimate(v),
            self._next_s(v),
            self.phase_cause,
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

    def _watch_leaps(self, r: Readings) -> None:
        """Look for probes that leap, and lower a core that leapt up: it would allow a draw that the pile does not bear."""
        leap, clock = self.leap, self.clock
        leap.look(self._flickers, self.pump.duty, clock.now_s, clock.elapsed_s)
        r.pile_core_c -= leap.core_high_k

    def _flickers(self, sensor: str) -> bool:
        return self.slow.doubted(self.checks, sensor) or self.noise.doubts(sensor)

    def _hot_supply_c(self, r: Readings) -> float:
        """Return how hot the supply may be [degC]: as shown of late, and more where its probe has leapt down."""
        if self.checks.age_s("water_supply_c", self.clock.now_s) > STALE_S or self._shows_return(r):
            return nan
        return r.water_supply_c + self.leap.supply_low_k

    def _shows_return(self, r: Readings) -> bool:
        """Tell whether a cool supply may be the return instead: of two probes that changed places the other is silent."""
        if not self.checks.lost("water_return_c"):
            return False
        v, return_c = self._view, likely_return_c(r)
        rise_k = expected_rise_k(v.core_c, return_c, v.flow_kg_s, self._settings.coil_ua_w_k)
        return r.water_supply_c - return_c < FAR_BELOW_SHARE * rise_k

    def _cold_supply_c(self, r: Readings) -> float:
        """Return how cold the supply may be [degC], NaN for a reading kept from before; less where its probe leapt up."""
        if not self.checks.fresh("water_supply_c", self.clock.now_s):
            return nan
        return r.water_supply_c - self.leap.supply_high_k

    def _look(self, r: Readings) -> View:
        """Work out what the last step drew and how the pile stands."""
        v, pile, s, dt_s = self._view, self.pile, self._settings, self.clock.dt_s
        v.flow_kg_s = self.pump.flow_kg_s(r.water_flow_kg_s, r.pump_battery_v)
        v.water_w = self._water_w(v.flow_kg_s, r)
        v.air_w = self.fan.heat_w(r)
        pile.update(r, v.flow_kg_s, v.water_w, v.air_w, dt_s, self.stuck.core.same_s, self._cold_supply_c(r))
        v.core_c, v.drawn_day_w, v.hot_s = pile.core_c, pile.drawn_day_w, pile.hot_s
        v.made_w = pile.heat_made_w(r.outdoor_c)
        heals_c = self.outlook.lowest_c(pile.probe_c, v.made_w, v.hot_s > 0.0, dt_s) + pile.offset_k
        floor_c = zero_draw_c(s.pile_floor_c, pile.core_sd_c, v.made_w / s.pile_wet_mass_kg)
        v.zero_c = max(floor_c, heals_c) if heals_c == heals_c else floor_c
        v.room_k = nan if pile.blind else headroom_k(v.core_c, pile.trend.slope_per_s, v.zero_c)
        return v

    def _estimate(self, v: View) -> PileEstimate:
        s = self._settings
        left_h = draw_left_h(self.account.balance_j, s.flow_target_kg_s, s.supply_target_c - USUAL_RETURN_C)
        return self.pile.estimate(v.made_w, v.zero_c, left_h, self.outlook.left_days)

    def _water_w(self, flow_kg_s: float, r: Readings) -> float:
        """Heat drawn by the water; what is not measured is taken so that the draw looks larger, not smaller."""
        if flow_kg_s <= 0.0:
            return 0.0
        supply_c = r.water_supply_c if r.water_supply_c == r.water_supply_c else self.pile.core_c
        return water_heat_w(flow_kg_s, supply_c, likely_return_c(r))

    def _change_phase(self, v: View) -> None:
        s, pile = self._settings, self.pile
        self.in_phase_s += self.clock.elapsed_s
        facts = Facts(
            pile.blind,
            v.hot_s,
            s.start_hold_s,
            v.room_k,
            self.in_phase_s,
            self.drained,
            self.hand.on,
            self.before,
        )
        phase, cause = next_phase(self.phase, facts)
        if cause:
            if self.phase not in DECLARED:
                self.before = self.phase
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
        return_c, unchilled_c = likely_return_c(r), self.pile.unchilled_c
        self.coil.update(
            self._moving_kg_s(r, v),
            r.water_supply_c - self.leap.supply_high_k,
            return_c,
            unchilled_c,
            s.coil_water_kg,
            self.clock.elapsed_s,
        )
        self.pile.chill.follow(unchilled_c, self.coil.bed_c, v.water_w / s.coil_ua_w_k, dt_s)
        v.coil_rest_s = self.coil.rest_s
        v.may_draw = account.gives(v.need) and v.drawing and not self.coil.rests
        v.saved = account.fullness

    def _moving_kg_s(self, r: Readings, v: View) -> float:
        """Return the flow through the coil, bidden or not: a pump that runs on chills the pile as a draw does.

        A siphon is left out: it moves little, and a meter that counts noise beside a warm pipe looks like one.
        """
        unbidden = self.pump.duty <= 0.0 and self.slow.idle.runs_on
        return self.pump.true_kg_s(r.water_flow_kg_s) if unbidden else v.flow_kg_s

    def _watch(self, r: Readings, v: View) -> None:
        """Let the guards see what the last step's commands did."""
        s, clock, pump, fan = self._settings, self.clock, self.pump, self.fan
        dt_s, now_s, fresh = clock.dt_s, clock.now_s, self.checks.fresh
        self.pump_health.update(r.pump_battery_v if fresh("pump_battery_v", now_s) else nan, pump.duty, dt_s)
        self.fan_health.update(r.fan_battery_v if fresh("fan_battery_v", now_s) else nan, fan.duty, dt_s)
        self.pump_battery.update(r.pump_battery_v, pump.duty, dt_s)
        self.fan_battery.update(r.fan_battery_v, fan.duty, dt_s)
        speed_hz = r.fan_speed_hz if fresh("fan_speed_hz", now_s) else nan
        self.fan_watch.update(fan.duty, speed_hz, dt_s, clock.elapsed_s)
        if pump.mode == RUN and fresh("water_flow_kg_s", now_s) and pump.works(pump.true_kg_s(r.water_flow_kg_s)):
            self.pump_health.load_works()
        if fan_turns(fan.duty, speed_hz):
            self.fan_health.load_works()
        self.tank.update(r.tank_c, dt_s)
        fan.look(r, self.checks.lost("greenhouse_co2"))
        self.at_risk = v.at_risk = crop_at_risk(r.greenhouse_c, s.greenhouse_min_c, self.at_risk)
        v.spending = self._spends_floor(r, v)
        v.tank_rise_k, v.co2_ppm = self.tank.rise_k, 1e6 * r.greenhouse_co2
        v.hand_s, v.hand_pump, v.hand_fan = self.hand.left_s, self.hand.pump_duty, self.hand.fan_duty
        if pump.mode == RUN:
            self._watch_water(r, v)
        else:
            self.witness.rest(pump.dead_meter)

    def _watch_water(self, r: Readings, v: View) -> None:
        """Judge by temperatures whether water moves, where no meter tells; where one does, whether the probe moves."""
        pump, dt_s = self.pump, self.clock.dt_s
        return_c = likely_return_c(r)
        if self.witness.came_back(r.water_return_c):
            pump.doubted_s = 0.0
        if pump.suspect:
            self.swap.forget()
        else:
            self.swap.update(v.flow_kg_s, r.water_supply_c, r.water_return_c, v.core_c, dt_s)
        if pump.metered(r.water_flow_kg_s):
            if pump.moves(r.water_flow_kg_s):
                rise_k = expected_rise_k(v.core_c, return_c, v.flow_kg_s, self._settings.coil_ua_w_k)
                self.stuck.water_moved(r.water_supply_c - return_c - rise_k, pump.on_s, dt_s)
            return
        flow_kg_s = pump.curve_flow_kg_s(r.pump_battery_v)
        # where a meter says no, a change since the start is no proof
        start_c = r.water_supply_c if pump.dead_meter else pump.start_supply_c
        doubted = pump.doubted_s > 0.0
        moved = self.witness.update(start_c, r.water_supply_c, return_c, v.core_c, flow_kg_s, dt_s, doubted)
        if moved:
            pump.water_moves()
        elif self.witness.stands(pump.suspect or pump.dead_meter or doubted, pump.on_s):
            pump.try_again(cold=True)

    def _spends_floor(self, r: Readings, v: View) -> bool:
        """Tell whether a pile at rest is drawn for the crop, which the grower ranks above its floor."""
        if not (self._ranks.crop_over_floor and self.phase == REST and self.at_risk) or self.slow.pulled.pulled:
            return False
        s, e = self._settings, self._estimate(v)
        v.recovery_days = recovery_days(v.zero_c - v.core_c, s.pile_wet_mass_kg, e.sustainable_w)
        return floor_may_be_spent(v.core_c, e.core_sd_c, s.pile_floor_c)

    def _pump_duty(self, r: Readings, v: View) -> float:
        """Return the pump's duty and note the one limit that decides it: the least that any guard allows."""
        clock, pump, loop = self.clock, self.pump, self.loop
        stop = self._stopped_by(v)
        if stop:
            target, v.limit = loop.rest(clock.elapsed_s), stop
        else:
            target = self._hand_flow(r, v) if self.phase == MANUAL else self._flow_target(r, v)
        if self._frost_due(r, v) and (pump.locked or target < pump.least_flow_kg_s):
            pulse_kg_s = max(pump.least_flow_kg_s, min(self.frost.pulse_kg_s, self._settings.flow_target_kg_s))
            hot_c = self._hot_supply_c(r)
            # so little water is moved that all of it stood in the pile
            hot_c = hot_c if hot_c == hot_c else self.pile.unchilled_c
            hot_c = r.water_return_c if r.water_return_c > hot_c else hot_c  # the two may be swapped
            target, v.limit = loop.hasty_kg_s(pulse_kg_s, hot_c), "frost"
            if pump.mode == RUN:
                loop.hot.pulse(hot_c, pump.on_s + clock.dt_s, clock.dt_s)
        v.locked_s, v.battery_v = pump.locked_s, self.pump_battery.volts
        if target <= 0.0:
            return pump.rest(clock.elapsed_s)
        supply_c = nan if self.slow.doubted(self.checks, "water_supply_c") else r.water_supply_c  # vouches for nothing
        duty = pump.drive(target, r.water_flow_kg_s, supply_c, r.pump_battery_v, clock.elapsed_s)
        if v.limit != "frost" and (pump.mode != RUN or pump.on_s < METER_LAG_S):
            v.limit = "no-flow" if pump.locked else "start"
        by_hand = self.phase == MANUAL and v.limit != "frost"
        return pump.cap(self.hand.pump_duty) if by_hand else duty

    def _stopped_by(self, v: View) -> str:
        """Return the first guard that forbids the water to move, whoever asks for it (but frost); "" for none."""
        if self.phase == DRAINED:
            return "drained"
        battery = self.pump_battery
        if not (battery.crop if self.at_risk else battery.allowed):
            return "battery"
        if self.pump.locked:
            return "no-flow"
        if self.phase != MANUAL and not (v.drawing or v.spending):
            return PHASE_LIMIT.get(self.phase, "pile-floor")
        if self.fan.hot and self.phase != MANUAL:
            return "ceiling"
        return "tank" if self.tank.blocked else ""

    def frost_outdoor_c(self, r: Readings) -> float:
        """Outdoor temperature for the judgement of frost [degC]; unknown when the probe cannot be right."""
        return nan if self.stuck.outdoor_stuck or self.slow.outdoor_doubted else r.outdoor_c

    def _frost_due(self, r: Readings, v: View) -> bool:
        """Tell whether a pulse against frost is due and the order of giving way lets it run."""
        v.frost_barred = False
        if self.phase == DRAINED:
            return False
        flow_kg_s, elapsed_s = v.flow_kg_s, self.clock.elapsed_s
        warm = v.core_c > self._settings.pile_floor_c + PROOF_ROOM_K
        self.noise.update(r.water_return_c, r.water_supply_c, flow_kg_s, elapsed_s)
        spares = v.room_k <= 0.0
        outdoor_c = self.frost_outdoor_c(r)
        due = self.frost.due(outdoor_c, r.water_return_c, r.water_supply_c, flow_kg_s, elapsed_s, warm, spares)
        chills = not self._ranks.frost_over_floor and v.core_c < self._settings.pile_floor_c
        v.frost_barred = chills or not self.pump_battery.frost
        return due and not v.frost_barred

    def _hand_flow(self, r: Readings, v: View) -> float:
        """Return the flow of a hand-run [kg/s]: it takes no heat from a pile at rest, and sends no water too hot."""
        pump, loop, duty = self.pump, self.loop, self.hand.pump_duty
        flows, hot = pump.duty > 0.0, loop.hot
        too_hot = hot.flow(self._hot_supply_c(r), loop.on_s, self.clock.dt_s) if flows else hot.pause_s > 0.0
        loop.rest(self.clock.elapsed_s)
        v.limit = "manual"
        if duty > 0.0 and too_hot:
            v.limit = "scald"
        elif duty > 0.0 and not v.room_k > 0.0 and hand_run_takes_heat(r.water_supply_c, r.water_return_c):
            v.limit = "pile-floor"
        return pump.by_hand_kg_s(duty) if duty > 0.0 and v.limit == "manual" else 0.0

    def _flow_target(self, r: Readings, v: View) -> float:
        """Return the flow the draw wants [kg/s] and note what limits it."""
        clock, loop, rank = self.clock, self.loop, self._ranks
        effort = SPENDING_EFFORT if v.spending else min(v.need, generosity(v.room_k))
        flow_kg_s = loop.flow_kg_s(
            v.may_draw or v.spending,
            effort,
            self._hot_supply_c(r),
            likely_return_c(r),
            v.core_c,
            self.pile.unchilled_c,
            clock.dt_s,
            clock.elapsed_s,
            rank.supply_over_flow and not (self.at_risk and rank.crop_over_supply),
        )
        v.limit = loop.limit
        if loop.limit == "pause":
            v.limit = "heat-budget" if self.coil.rests or (v.need >= START_NEED and v.saved < START_FULL) else "demand"
        elif v.spending and flow_kg_s > 0.0:
            v.limit = "crop"
        return flow_kg_s

    def _fan_duty(self, r: Readings, v: View) -> float:
        """Return the fan's duty and note what holds back a fan that would run."""
        fan = self.fan
        needs = AirNeeds(v.need, v.drawing, self.phase != HOLD_OFF, v.saved > SPARE_FULL, v.core_c, r.pile_o2)
        by_hand = self.hand.on
        stop = "battery" if not self.fan_battery.allowed else "stalled" if self.fan_watch.locked else ""
        stop = stop or ("sensor" if self.pile.unseen else "")
        if stop:
            duty = fan.rest()
        else:
            stop = fan.limit
            duty = fan.by_hand(self.hand.fan_duty) if by_hand else self.slow.fan_duty_for(fan, needs, self.clock.dt_s)
        v.fan_on = duty > 0.0
        held_back = stop not in ("", "air") and (self.hand.fan_duty > 0.0 if by_hand else air_share(needs) > 0.0)
        v.fan_limit = stop if held_back else ""
        return duty

    def _alarms(self, r: Readings, v: View) -> tuple[Alarm, ...]:
        self.slow.look(self, r, v)
        return self.alarms.update(
            conditions(self, r, v), self.clock.dt_s, self.clock.stamp_s, v, r, self.slow, self.leap
        )

    def _next_s(self, v: View) -> float:
        pump = self.pump
        if self.hand.on and pump.mode not in (ARMED, KICK):
            return CALL_AGAIN_S
        if pump.mode == RUN:
            if v.limit == "frost":
                return min(max(self.frost.pulse_left_s(v.flow_kg_s), 1.0), RAMP_TICK_S)
            return RAMP_TICK_S if pump.on_s < RAMPING_S else LONGEST_WAIT_S
        return ARMED_TICK_S if pump.mode == ARMED else KICK_TICK_S if pump.mode == KICK else LONGEST_WAIT_S
