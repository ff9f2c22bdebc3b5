"""The pump: breaking loose, ramp, pump curve with a slow correction, and what to do when no water moves."""

from __future__ import annotations

from math import nan

from simple_pid import PID

from controller.memory import Memory
from controller.settings import ControllerSettings

OFF, ARMED, KICK, RUN = "off", "armed", "kick", "run"
SHORT_TICK_S = 2.5
HASTE_S = 30.0  # to a flow beyond the target: that is asked for to be rid of hot water
RAMP_S = 120.0  # from nothing to the flow target; to what is asked for if coil water is to be brought through
NO_FLOW_SHARE = 0.15  # of the flow that is asked for
TRICKLE_SHARE = 0.05  # of what the pump curve gives at this duty
SILENT_KG_S = 0.001  # a meter that shows more is not dead
NO_FLOW_S = 30.0  # a small pump bears some minutes without water; with all tries four times this (own judgement)
DRY_PUSH_PER_S = 0.03  # more duty while no water moves: reaches full duty before the pump is called dry
METER_WORKS_KG_S = 0.005
MOVED_K = 4.0  # a change of the supply that only moving water brings about
TRIES = 3
BREATH_S = 60.0  # between two tries told by temperatures, each of minutes: a dry pump cools, air rises (own judgement)
FIRST_PAUSE_S = 900.0
LONGEST_PAUSE_S = 4 * 3600.0
LONGEST_PI_STEP_S = 10.0  # the pump answers in seconds: a longer step would make the integral swing
METER_LAG_S = 15.0  # a pulse meter still shows the kick
IDLE_S = 60.0  # coasting water and the meter's lag are over
TRY_HARDER = 0.4  # of the starting duty, more at each new try
DOUBTED_S = 24 * 3600.0  # for how long the last proof that water stood outweighs a warm supply (own judgement)
NOMINAL_V = 12.0
UNSEEN_SHARE = 1.15  # of the smallest running duty, where no meter shows that water moves (own judgement)
IDLE_SHARE = 0.85  # of the smallest running duty: where the flow curve starts (own judgement)


def _no_clock() -> float:
    return 0.0


class Regulator(Memory):
    """simple-pid as a PI whose only memory is its integral, and whose traps are closed.

    It is fed finite values and its own step length only, and takes up again bumplessly.
    """

    __slots__ = ("_carried", "_high", "_low", "_pid", "integral")

    def __init__(self, gain: float, integral_gain: float, low: float, high: float) -> None:
        self._low, self._high = low, high
        self._pid = PID(gain, integral_gain, 0.0, sample_time=None, output_limits=(low, high), time_fn=_no_clock)
        self.integral = 0.0
        self._carried = nan  # the integral with which simple-pid left off

    def push(self, more: float) -> None:
        """Move the integral, within the limits of the output."""
        self.integral = min(max(self.integral + more, self._low), self._high)

    def update(self, target: float, measured: float, dt_s: float) -> float:
        """Return the output; without a finite measurement or without time passing, the integral alone."""
        if not -1e9 < measured < 1e9 or dt_s <= 0.0:
            return self.integral
        pid = self._pid
        pid.setpoint = target
        if self.integral != self._carried:
            pid.set_auto_mode(False)
            pid.set_auto_mode(True, self.integral)
        output = pid(measured, dt=dt_s) or 0.0
        self.integral = self._carried = pid.components[1]
        return output


class PumpCurve:
    """Flow of the pump over its duty at a battery voltage: straight from just below the running duty to full."""

    def __init__(self, settings: ControllerSettings) -> None:
        self._idle = IDLE_SHARE * settings.pump_run_duty
        self.slope_kg_s = settings.pump_full_flow_kg_s / (1.0 - self._idle)

    def duty(self, flow_kg_s: float, volts: float) -> float:
        """Return the duty for a flow [kg/s]; an unknown voltage (NaN) counts as 12 V."""
        supply = volts if 6.0 < volts < 20.0 else NOMINAL_V
        return (self._idle + flow_kg_s / self.slope_kg_s) * NOMINAL_V / supply

    def flow_kg_s(self, duty: float, volts: float) -> float:
        """Return the flow of a turning pump [kg/s]."""
        supply = volts if 6.0 < volts < 20.0 else NOMINAL_V
        return max(0.0, (duty * supply / NOMINAL_V - self._idle) * self.slope_kg_s)


class PumpDrive(Memory):
    """Turns a wanted flow into a duty."""

    __slots__ = (
        "_curve",
        "_ramp_kg_s2",
        "_settings",
        "breath_s",
        "counts_idle",
        "dead_meter",
        "doubted_s",
        "dry_s",
        "due_kg_s",
        "duty",
        "idle_kg_s",
        "idle_s",
        "kick_seen",
        "least_duty",
        "locked_cold",
        "locked_s",
        "mode",
        "moved_supply_c",
        "on_s",
        "pause_s",
        "ramped_kg_s",
        "rested_s",
        "start_supply_c",
        "suspect",
        "tries",
        "trim",
    )

    def __init__(self, settings: ControllerSettings) -> None:
        self._settings = settings
        self._curve = PumpCurve(settings)
        self._ramp_kg_s2 = settings.flow_target_kg_s / RAMP_S
        slope = self._curve.slope_kg_s
        # the defaults by the exact frequency response of meter and pump: maximum sensitivity 1.43, and 1.93 at half as
        # much gain and delay again (tests/controller/test_reference_tuning.py)
        gain = settings.flow_loop_gain / slope
        self.trim = Regulator(gain, gain / settings.flow_loop_integral_s, -0.3, 1.0)
        self.mode = OFF
        self.duty = 0.0
        self.least_duty = settings.pump_run_duty
        self.ramped_kg_s = 0.0
        self.on_s = 0.0
        self.dry_s = 0.0
        self.due_kg_s = 0.0  # what the curve gives at the duty of the last step
        self.kick_seen = False
        self.tries = 0.0
        self.breath_s = 0.0
        self.locked_s = 0.0
        self.locked_cold = False
        self.pause_s = FIRST_PAUSE_S
        self.dead_meter = False
        # that long a supply that grows warm proves nothing: it did so, or the meter was good, and no water moved
        self.doubted_s = 0.0
        self.counts_idle = False  # the meter counted as much while the pump stood: it says nothing about this run
        self.idle_kg_s = self.idle_s = 0.0  # what it counted then, and for how long it has counted no more in this run
        self.rested_s = 0.0
        self.suspect = False
        self.start_supply_c = nan
        self.moved_supply_c = nan  # the supply when water was last seen to move, or the pump was started

    def flow_kg_s(self, measured_kg_s: float, volts: float) -> float:
        """Return the flow of the last step [kg/s]: by the meter if there is a good one, else the curve; 0 when off.

        Without a meter nothing counts as flow while the temperatures say that the water stands.
        """
        if self.duty <= 0.0:
            return 0.0
        if self.metered(measured_kg_s):
            return max(0.0, self.true_kg_s(measured_kg_s))
        return 0.0 if self.suspect else self._curve.flow_kg_s(self.duty, volts)

    def true_kg_s(self, measured_kg_s: float) -> float:
        """Return the flow that a reading of the meter means [kg/s]."""
        return self._settings.flow_meter_gain * measured_kg_s

    def curve_flow_kg_s(self, volts: float) -> float:
        """Return the flow that the present duty would give a sound pump [kg/s]."""
        return self._curve.flow_kg_s(self.duty, volts)

    def metered(self, measured_kg_s: float) -> bool:
        """Tell whether the flow is measured now by a meter that is believed."""
        return measured_kg_s == measured_kg_s and not self.dead_meter and not self.counts_idle

    def by_hand_kg_s(self, duty: float) -> float:
        """Return the flow that a duty asked for by hand means [kg/s]; at least the smallest steady one."""
        return max(self._curve.flow_kg_s(duty, NOMINAL_V), self.least_flow_kg_s)

    def cap(self, duty: float) -> float:
        """Keep a running pump at ``duty`` at most, but turning; returns the duty."""
        if self.mode == RUN:
            self.duty = min(self.duty, max(duty, self.least_duty))
        return self.duty

    @property
    def least_flow_kg_s(self) -> float:
        """The smallest steady flow the pump can hold [kg/s]."""
        return self._curve.flow_kg_s(self.least_duty * 1.05, NOMINAL_V)

    @property
    def locked(self) -> bool:
        """Whether the pump rests because no water moved."""
        return self.locked_s > 0.0

    def rest(self, elapsed_s: float) -> float:
        """Stop; returns the duty, 0."""
        self.locked_s = max(0.0, self.locked_s - elapsed_s)
        self.doubted_s = max(0.0, self.doubted_s - elapsed_s)
        self.rested_s = elapsed_s + (self.rested_s if self.mode == OFF else 0.0)
        self.mode, self.duty, self.ramped_kg_s, self.on_s, self.dry_s = OFF, 0.0, 0.0, 0.0, 0.0
        self.breath_s = 0.0
        return 0.0

    def drive(self, target_kg_s: float, measured_kg_s: float, supply_c: float, volts: float, dt_s: float) -> float:
        """Return the duty that brings the flow toward ``target_kg_s``.

        ``dt_s`` is the time since the last call: a short one shows that the next call comes soon enough to give
        a pump at rest full duty.
        """
        measured_kg_s = self.true_kg_s(measured_kg_s)
        self.due_kg_s = self._curve.flow_kg_s(self.duty, volts)
        if self.breath_s > 0.0:
            self.breath_s = max(0.0, self.breath_s - dt_s)
            return 0.0
        if self.mode == OFF:
            self.mode, self.kick_seen = ARMED, False
            self.start_supply_c = self.moved_supply_c = supply_c
            if self.rested_s >= IDLE_S:
                self.counts_idle = measured_kg_s > max(0.5 * target_kg_s, METER_WORKS_KG_S)
                self.idle_kg_s, self.idle_s = measured_kg_s, 0.0
            if dt_s > SHORT_TICK_S:
                return 0.0
        if self.counts_idle:
            self._compare(measured_kg_s, dt_s)
            measured_kg_s = nan  # regulated down to the flow that it invents, the pump would run dry
        if self.mode == ARMED:
            return self._kick(dt_s)
        if self.mode == KICK:
            self.mode = RUN
            self.ramped_kg_s = self.least_flow_kg_s
            # a kick of an earlier try counts too: the probe may still follow the water that it brought
            self.kick_seen = measured_kg_s > METER_WORKS_KG_S or (self.kick_seen and self.tries > 0.0)
        else:
            self._watch(measured_kg_s, supply_c, dt_s)
        if self.mode != RUN:
            return self.duty
        self.on_s += dt_s
        least = self.least_flow_kg_s
        ramped = max(self.ramped_kg_s, least) + self._ramp_for_kg_s2(target_kg_s) * dt_s
        self.ramped_kg_s = min(max(target_kg_s, least), ramped)
        self.duty = self._regulated(measured_kg_s, volts, dt_s)
        return self.duty

    def _ramp_for_kg_s2(self, target_kg_s: float) -> float:
        """Return the steepest rise of the flow; steeper to be rid of hot water, and to bring known coil water through."""
        s = self._settings
        ramp_kg_s2 = max(self._ramp_kg_s2, (target_kg_s - s.flow_target_kg_s) / HASTE_S)
        return max(ramp_kg_s2, target_kg_s / RAMP_S) if s.coil_water_kg > 0.0 else ramp_kg_s2

    def _kick(self, dt_s: float) -> float:
        start = self._settings.pump_start_duty
        gentle = min(1.0, start * (1.3 + TRY_HARDER * self.tries))
        self.mode = KICK
        self.duty = 1.0 if dt_s <= SHORT_TICK_S else gentle
        return self.duty

    def _regulated(self, measured_kg_s: float, volts: float, dt_s: float) -> float:
        duty = self._curve.duty(self.ramped_kg_s, volts)
        if not self.dead_meter and measured_kg_s == measured_kg_s:
            if self.on_s < METER_LAG_S:
                return min(max(duty + self.trim.integral, self.least_duty), 1.0)
            at_least = self.duty <= self.least_duty and measured_kg_s > self.ramped_kg_s
            at_most = self.duty >= 1.0 and measured_kg_s < self.ramped_kg_s
            held = at_least or at_most  # the integral must not wind up against a stop
            duty += self.trim.update(self.ramped_kg_s, measured_kg_s, 0.0 if held else min(dt_s, LONGEST_PI_STEP_S))
        else:  # this pump may need more than its curve says
            duty = max(duty, UNSEEN_SHARE * self.least_duty)
        return min(max(duty, self.least_duty), 1.0)

    def _watch(self, measured_kg_s: float, supply_c: float, dt_s: float) -> None:
        """Notice that no water moves, and tell a dead meter from a stopped pump by the water's temperature.

        Warm water in the pipe proves nothing by itself, since it may have come before the pump ran dry: only a change
        since the meter fell silent does. A meter that dies in mid draw is therefore told at the start after the rest.
        """
        if self.moves(measured_kg_s):
            self.dead_meter, self.moved_supply_c = False, supply_c
            self.water_moves()
            return
        if measured_kg_s != measured_kg_s or self.dead_meter:
            if self.tries > 0.0 and not self.suspect and not self.dead_meter:
                self.doubted_s = DOUBTED_S  # the last that the meter said was: no water
            return
        self.dry_s += dt_s
        self.trim.push(DRY_PUSH_PER_S * min(dt_s, LONGEST_PI_STEP_S))
        if self.dry_s < NO_FLOW_S:
            return
        silent = not self.kick_seen and measured_kg_s <= SILENT_KG_S
        if silent and self.doubted_s <= 0.0 and abs(supply_c - self.moved_supply_c) > MOVED_K:
            self.dead_meter, self.trim.integral = True, 0.0
        elif self.locked:  # then only frost drives it, and one start in each pulse is enough
            self.dry_s = 0.0
        else:
            self.try_again()
            self.moved_supply_c = supply_c  # a trickle would add up over the tries

    def _compare(self, measured_kg_s: float, dt_s: float) -> None:
        """Doubt the water where a meter that counts at rest counts no more while the pump turns: its noise would add up."""
        more = measured_kg_s != measured_kg_s or self.works(measured_kg_s)
        self.idle_s = 0.0 if more or self.mode != RUN else self.idle_s + dt_s
        if self.idle_s > NO_FLOW_S:
            self.doubted_s = DOUBTED_S

    def moves(self, measured_kg_s: float) -> bool:
        """Tell whether the meter shows a fair part of the flow that is asked for, and no trickle for the duty."""
        return measured_kg_s > max(NO_FLOW_SHARE * self.ramped_kg_s, TRICKLE_SHARE * self.due_kg_s)

    def works(self, measured_kg_s: float) -> bool:
        """Tell whether the meter counts more than it did at rest; ``measured_kg_s`` is the true flow."""
        return measured_kg_s > self.idle_kg_s + METER_WORKS_KG_S

    def water_moves(self) -> None:
        """Forget failed tries: water moves."""
        self.dry_s, self.tries, self.pause_s, self.doubted_s = 0.0, 0.0, FIRST_PAUSE_S, 0.0
        self.suspect = self.locked_cold = False

    def try_again(self, cold: bool = False) -> None:
        """Start anew since no water moves, or, after some tries, rest; ``cold``: told by temperatures, not the meter."""
        self.dry_s = 0.0
        self.suspect = cold
        self.tries += 1.0
        if cold and self.dead_meter:
            # water seemed to vouch against a silent meter, and now stands: that was no dead meter
            self.tries, self.dead_meter = TRIES + 1.0, False
            self.doubted_s = DOUBTED_S
        elif cold and self.doubted_s > 0.0:  # meter and temperatures agree: half of the tries will do
            self.tries, self.doubted_s = self.tries + 1.0, DOUBTED_S
        self.mode = ARMED
        if cold:
            self.mode, self.duty, self.breath_s = OFF, 0.0, BREATH_S
        if self.tries > TRIES:
            # no blind retries all night: after a rest, one try and a harder one
            self.tries, self.locked_s, self.mode, self.duty = TRIES - 1.0, self.pause_s, OFF, 0.0
            self.pause_s = min(2.0 * self.pause_s, LONGEST_PAUSE_S)
            self.locked_cold = cold
