"""From the record of a session to what was learnt, each with its uncertainty and an honest verdict."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np

from controller.commissioning import COLUMNS, Commissioning
from controller.commissioning_gains import LoopGains, Water, coil_water, flow_gains, supply_gains
from controller.commissioning_plan import (
    BUCKET_S,
    BUCKETS,
    DOWN,
    DRAW,
    FAN_DOWN,
    FAN_UP,
    FIRST,
    REST,
    SETTLE_S,
    START,
    UP,
)
from controller.identify import (
    Bucket,
    Coil,
    DeadTimeFit,
    Decay,
    Match,
    Meter,
    MotorCurve,
    ProbeLag,
    corrected_by_bucket,
    identify_coil,
    identify_dead_time,
    identify_decay,
    identify_fan,
    identify_pump,
    identify_pump_by_bucket,
    identify_two_lags,
    match_probes,
    meter_scale,
    probe_lag,
)
from controller.identify.dead_time import no_fit
from controller.identify.motor import no_curve
from controller.identify.verdict import Floats, Spoiled, Verdict, cannot_tell, repeat_with, usable_rows
from controller.settings import ControllerSettings, SettingsError

NAN = float("nan")
KG_PER_LITRE, WATER_KG_M3 = 1.0, 1000.0
NEAR_FULL = 0.97  # of full drive: beyond what was tried the curve would be a guess
LEAST_FLOW_LAG_S = 0.2
FRESH_SHARE = 0.5  # of the draw: its second half shows how coil and bed settle


class Learned(NamedTuple):
    """Everything a session showed. ``offset`` of the return probe is already taken off where the coil was fitted."""

    pump: MotorCurve
    fan: MotorCurve
    probes: Match
    start: DeadTimeFit
    coil: Coil
    settling: Decay
    core_offset: Match
    cooled_k: float
    seconds: float
    probe: ProbeLag
    flow_answer: DeadTimeFit
    flow_loop: LoopGains
    supply_loop: LoopGains
    water: Water
    meter: Meter

    def verdicts(self) -> dict[str, Verdict]:
        """Verdict of each part by name."""
        parts = {name: getattr(self, name) for name in (*self._fields[:7], "flow_loop", "supply_loop")}
        return {name: part.verdict for name, part in parts.items()} | {"voltage": self.pump.voltage_verdict}


def learn(session: Commissioning) -> Learned:
    """Identify everything from what ``session`` recorded so far. Takes about a second; nothing must wait for it."""
    rest, started = _table(session, REST), _table(session, START, FIRST)
    match = match_probes(rest["time_s"], rest["water_supply_c"], rest["water_return_c"])
    (pump, meter), fan = _pump(session), _fan(session)
    start = _start(session, started)
    probe = probe_lag(start, _first_flow_kg_s(session, pump))
    coil = _coil(session, match, pump, probe, meter)
    draw = _table(session, DRAW)
    half = slice(int(draw["time_s"].size * FRESH_SHARE), None)
    settling = identify_decay(draw["time_s"][half], draw["water_supply_c"][half])
    everything = _table(session, *session.recorded_stages)
    seconds = float(np.ptp(everything["time_s"])) if everything["time_s"].size else 0.0
    answer = _flow_answer(session, pump)
    settings = with_pump(session.settings, pump)
    return Learned(
        pump, fan, match, start, coil, settling, _core_offset(coil, rest), session.watch.heat.cooled_k, seconds,
        probe, answer, flow_gains(pump, answer, settings), supply_gains(coil, probe, settings),
        coil_water(coil, session.watch.heat.coil_kg), meter,
    )  # fmt: skip


def _table(session: Commissioning, *stages: str) -> dict[str, Floats]:
    rows = np.array(session.record(*stages), dtype=np.float64).reshape(-1, len(COLUMNS))
    return dict(zip(COLUMNS, rows.T, strict=True))


def _lacking(session: Commissioning, *stages: str) -> Verdict | None:
    for stage in stages:
        if stage in session.given_up:
            return repeat_with(f"the cause removed: stage {stage!r} was left out, {session.given_up[stage]}")
    return None


def _buckets(session: Commissioning) -> list[Bucket]:
    found = []
    for key in BUCKETS:
        litres, duty = session.answers.get(key, [NAN, NAN])
        rows = _table(session, key)["pump_battery_v"]
        seen = rows[np.isfinite(rows)]
        if litres > 0.0 and duty > 0.0:
            volts = float(seen.mean()) if seen.size else NAN
            found.append(Bucket(duty, volts, litres * KG_PER_LITRE / BUCKET_S))
    return found


def _pump(session: Commissioning) -> tuple[MotorCurve, Meter]:
    lacking = _lacking(session, START)
    if lacking:
        return no_curve(lacking), Meter(NAN, NAN, lacking)
    if not session.meter:
        none = Meter(NAN, NAN, cannot_tell("no flow meter is fitted"))
        return identify_pump_by_bucket(_buckets(session), session.start_duty), none
    r = _table(session, START, FIRST, DOWN, UP)
    flow = np.nan_to_num(r["water_flow_kg_s"], nan=NAN)
    curve = identify_pump(r["time_s"], r["pump_duty"], flow, r["pump_battery_v"], SETTLE_S)
    if not curve.verdict.good:
        return curve, Meter(NAN, NAN, curve.verdict)
    return corrected_by_bucket(curve, _buckets(session)), meter_scale(curve, _buckets(session))


def _fan(session: Commissioning) -> MotorCurve:
    lacking = _lacking(session, FAN_UP, FAN_DOWN)
    r = _table(session, FAN_UP, FAN_DOWN)
    if lacking:
        return no_curve(lacking)
    if not r["time_s"].size:
        return no_curve(cannot_tell("no tachometer is fitted; starting and running duty stay as they were set"))
    return identify_fan(r["time_s"], r["fan_duty"], r["fan_speed_hz"], r["fan_battery_v"], SETTLE_S)


def _start(session: Commissioning, r: dict[str, Floats]) -> DeadTimeFit:
    """Dead time and lag from the first moving water to the supply probe."""
    t, duty = r["time_s"], r["pump_duty"]
    moves = duty >= (session.start_duty if session.start_duty == session.start_duty else 2.0)
    given = np.append(moves[1:], moves[-1:]).astype(np.float64)  # the duty of a row was in force before it
    fit = identify_two_lags(t, given, r["water_supply_c"])
    broken = fit.verdict.good and {START, FIRST} & set(session.cut)
    return fit._replace(verdict=repeat_with("an unbroken start: the flow was cut")) if broken else fit


def with_pump(settings: ControllerSettings, pump: MotorCurve) -> ControllerSettings:
    """The settings with the pump as it was found, as far as it was."""
    full = pump.at(1.0) if pump.drive and pump.drive[-1] >= NEAR_FULL else NAN
    found: dict[str, Any] = {
        "pump_start_duty": pump.start_duty,
        "pump_run_duty": pump.run_duty,
        "pump_full_flow_kg_s": full,
    }
    try:
        return replace(settings, **{name: value for name, value in found.items() if value == value})
    except SettingsError:
        return settings


def _flow_answer(session: Commissioning, pump: MotorCurve) -> DeadTimeFit:
    """How the metered flow follows the flow that the curve gives for the duty, over the steps up."""
    r = _table(session, UP)
    if not pump.verdict.good or not session.meter:
        return no_fit(pump.verdict if session.meter else cannot_tell("without a flow meter there is no flow loop"))
    try:
        t, duty, volts, flow = usable_rows(1, r["time_s"], r["pump_duty"], _volts(r), r["water_flow_kg_s"])
    except Spoiled as spoiled:
        return no_fit(spoiled.verdict)
    wanted = np.array([pump.at(d, v) for d, v in zip(duty, volts, strict=True)])
    for rows in np.split(np.arange(t.size), np.flatnonzero(np.abs(np.diff(duty)) > 1e-6) + 1):
        wanted[rows] = wanted[rows].mean()  # the voltage moves all the time: no step
    given = np.append(wanted[1:], wanted[-1:])  # the duty of a row was in force before it
    later = slice(int(np.argmax(t >= t[0] + SETTLE_S)), None)
    return identify_dead_time(t[later], given[later], flow[later], LEAST_FLOW_LAG_S)


def _coil(session: Commissioning, match: Match, pump: MotorCurve, probe: ProbeLag, meter: Meter) -> Coil:
    r = _table(session, START, FIRST, DOWN, UP, DRAW)
    flow = r["water_flow_kg_s"] * (meter.scale if meter.verdict.good else 1.0)
    if not session.meter:
        flow = np.array([pump.at(d, v) if d > 0.0 else 0.0 for d, v in zip(r["pump_duty"], _volts(r), strict=True)])
    back = r["water_return_c"] + (match.offset_k * -1.0 if match.verdict.good else 0.0)
    tape = session.watch.heat.coil_kg
    kg = tape if tape > 0.0 else NAN
    drum_kg = WATER_KG_M3 * session.settings.drum_volume_m3
    coil = identify_coil(r["time_s"], flow, r["water_supply_c"], back, kg, probe.lag_s, probe.sd_s, drum_kg)
    if coil.verdict.good and session.cut:
        return coil._replace(verdict=repeat_with(f"an unbroken draw: the flow was cut in {session.cut[0]!r}"))
    if coil.verdict.good and not match.verdict.good:
        return coil._replace(verdict=repeat_with("matched probes: raw ones may be wrong by a quarter of a small heat"))
    return coil


def _first_flow_kg_s(session: Commissioning, pump: MotorCurve) -> float:
    """Flow while the first warm water came to the probe; NaN when it is not known."""
    r = _table(session, FIRST)
    flow = r["water_flow_kg_s"][np.isfinite(r["water_flow_kg_s"])]
    if flow.size:
        return float(np.median(flow))
    return pump.at(session.start_duty + 0.01) if pump.drive else NAN


def _volts(r: dict[str, Floats]) -> Floats:
    return np.where(np.isfinite(r["pump_battery_v"]), r["pump_battery_v"], 12.0)


def _core_offset(coil: Coil, rest: dict[str, Floats]) -> Match:
    """What the core probe reads above the bed that the water saw."""
    core = rest["pile_core_c"][np.isfinite(rest["pile_core_c"])]
    if not core.size or coil.bed_c != coil.bed_c:
        return Match(NAN, NAN, cannot_tell("either the core probe or the water's first warmth is missing"))
    sd = 0.3
    offset = float(np.median(core)) - coil.bed_c
    return Match(offset, sd, coil.verdict if not coil.verdict.good else Verdict("good", _core_text(offset)))


def _core_text(offset_k: float) -> str:
    side = "above" if offset_k > 0.0 else "below"
    return f"Good: the core probe reads {abs(offset_k):.1f} K {side} the material around the coil."


def as_json(learned: Learned) -> dict[str, Any]:
    """Return everything as JSON values; NaN becomes null."""
    return {name: _plain(value) for name, value in learned._asdict().items()}


def _plain(value: Any) -> Any:
    if isinstance(value, tuple) and hasattr(value, "_asdict"):
        return {name: _plain(item) for name, item in value._asdict().items()}
    if isinstance(value, (tuple, list)):
        return [_plain(item) for item in value]
    return None if isinstance(value, float) and value != value else value
