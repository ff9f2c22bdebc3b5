"""What goes wrong in the water loop."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sim import layout as at
from sim.faults.changes import (
    gained,
    offset,
    params_at,
    reading,
    scaled,
    set_to,
    state_at,
    true,
    wire,
)
from sim.faults.kinds import PUMP, Amount, FaultKind, Proof
from sim.media import CP_WATER, LATENT_ICE
from sim.rules import PUSHED_WATER, WATER

if TYPE_CHECKING:
    from sim.faults.plant import FaultyPlant

NO_WATER = frozenset({"no-flow", "no-heat", "line-frozen"})
RUNS_ON = frozenset({"pump-runs-on", "flow-while-off", "thermosiphon"})
NO_MOTOR = NO_WATER | {"pump-supply-cut"}
METER = ("water_flow_kg_s",)
ASKS_FLOW = Proof("flow at full duty falls", true("flow_kg_s"), 0.01, pump=1.0)
STUCK_DUTY = 9.0  # no duty reaches it
ICE_SHARE = 0.6


def _air(world: FaultyPlant, amount: Amount) -> None:
    world.plant.flags[at.G_AIR_LOCK_M3] += amount


def _no_air(world: FaultyPlant, amount: Amount) -> None:
    world.plant.flags[at.G_AIR_LOCK_M3] = 0.0


def _ice(world: FaultyPlant, amount: Amount) -> None:
    """Half the return pipe becomes ice to the stated share."""
    first = at.Y_RING + at.RING_RETURN
    world.plant.state[first : first + at.LINE_CELLS // 2] = -amount * LATENT_ICE


def _thaw(world: FaultyPlant, amount: Amount) -> None:
    ring = world.plant.state[at.Y_RING + at.RING_SUPPLY : at.Y_RING + at.RING]
    ring[ring < 0.0] = 2.0 * CP_WATER


def _closing(world: FaultyPlant, amount: Amount, age_s: float) -> None:
    """The flow falls by the amount (a share) every day."""
    world.plant.params[at.P_PUMP_TABLE : at.P_PUMP_TABLE + at.PUMP_POINTS] *= max(0.0, 1.0 - amount * age_s / 86400.0)


def _leaking(world: FaultyPlant, amount: Amount, age_s: float) -> None:
    """The level sinks: after so many hours the pump draws air."""
    left = 1.0 - age_s / (3600.0 * amount)
    world.plant.params[at.P_PUMP_TABLE : at.P_PUMP_TABLE + at.PUMP_POINTS] *= min(max(2.0 * left, 0.0), 1.0)


def _sticky(world: FaultyPlant, amount: Amount, age_s: float) -> None:
    start = world.plant.params[at.P_PUMP_START]
    world.plant.params[at.P_PUMP_START] = start + (1.3 - start) * amount


def _bare(world: FaultyPlant, amount: Amount, age_s: float) -> None:
    world.plant.params[at.P_BURIAL] *= 1.0 - amount
    for first in (at.RING_SUPPLY, at.RING_RETURN):
        world.plant.params[at.P_RING_UA + first : at.P_RING_UA + first + at.LINE_CELLS] *= 1.0 + amount


def _swapped(world: FaultyPlant, amount: Amount, age_s: float) -> None:
    world.tap(water_supply_c=lambda m: m.water_return_c, water_return_c=lambda m: m.water_supply_c)


def _difference(world: FaultyPlant) -> float:
    return reading("water_supply_c")(world) - reading("water_return_c")(world)


_pump_table = scaled(at.P_PUMP_TABLE, at.PUMP_POINTS)
_coil = scaled(at.P_RING_UA + at.RING_COIL, at.COIL_CELLS + 1)
_emitter = scaled(at.P_RING_UA + at.RING_EMITTER, at.EMITTER_CELLS)

KINDS = (
    FaultKind(
        "air-lock", (13,), "The pump turns, little or no water comes; a litre of air sits at the high point.",
        "Stop within minutes, try a burst a few times, rest, tell.", "air at the high point, m3", 1.2e-3, 5e-3,
        ASKS_FLOW, strike=_air, mend=_no_air, promised_h=0.4, needs=METER, promised_from=0.3, names=NO_WATER,
        takes=frozenset({WATER}), shows=PUMP,
    ),
    FaultKind(
        "loop-dry", (14,), "The pump turns and sounds hollow; the loop is empty.",
        "Stop within minutes, no blind retry all night, tell.", "share of the flow left", 0.02, 0.0,
        ASKS_FLOW, alter=_pump_table, promised_h=0.4, needs=METER, promised_from=0.3, names=NO_WATER,
        takes=frozenset({WATER}), shows=PUMP,
    ),
    FaultKind(
        "pump-sticky", (15,), "After a rest the pump hums and does not break loose.",
        "Kick at full duty for seconds, a few times; then rest and tell.", "how far toward never breaking loose", 0.2,
        1.0,
        Proof("duty that breaks it loose rises", params_at(at.P_PUMP_START), 0.05),
        alter=_sticky, names=NO_MOTOR, takes=frozenset({WATER}), shows=PUMP,
    ),
    FaultKind(
        "pump-seized", (15,), "The pump never turns; it draws current.",
        "Stop, rest, tell; count the hours the crop has left.",
        "", 1.0, 1.0, Proof("the pump stands at full duty", true("pump_on"), 1.0, pump=1.0),
        alter=lambda w, a, t: set_to(at.P_PUMP_START, at.P_PUMP_RUN)(w, STUCK_DUTY, t), promised_h=0.4,
        needs=METER, names=NO_MOTOR,
        takes=frozenset({WATER}), shows=PUMP,
    ),
    FaultKind(
        "pump-lead-loose", (16,), "The pump is switched on and draws nothing: a loose lead or a dead output stage.",
        "Stop, rest, tell.", "", 1.0, 1.0, Proof("the pump stands at full duty", true("pump_on"), 1.0, pump=1.0),
        alter=wire("pump", lambda a: lambda duty: 0.0), promised_h=0.4, needs=METER, names=NO_MOTOR,
        takes=frozenset({WATER}), shows=PUMP,
    ),
    FaultKind(
        "pump-stuck-on", (31,), "The pump runs whatever is commanded: a shorted output.",
        "Tell at once: only its plug stops it.", "", 1.0, 1.0,
        Proof("the pump turns at duty 0", true("pump_on"), 1.0), alter=wire("pump", lambda a: lambda duty: 1.0),
        promised_h=1, needs=METER, names=RUNS_ON, takes=frozenset({PUSHED_WATER}),
    ),
    FaultKind(
        "pump-inverted", (31,), "The pump runs when it should stand and stands when it should run: an inverted output.",
        "Tell at once: only its plug stops it.", "", 1.0, 1.0,
        Proof("the pump turns at duty 0", true("pump_on"), 1.0), alter=wire("pump", lambda a: lambda duty: 1.0 - duty),
        promised_h=1, needs=METER, names=RUNS_ON | NO_WATER, takes=frozenset({PUSHED_WATER, WATER}),
    ),
    FaultKind(
        "pump-worn", (19,), "Less water at the same duty.",
        "Ask for more duty, tell below 85 % of the commissioned curve.",
        "share of the flow left", 0.6, 0.15, ASKS_FLOW, alter=_pump_table, promised_h=24, needs=METER,
        promised_from=0.3, names=NO_WATER | {"flow-low"},
        would_tell="a flow meter, compared with the commissioned pump curve", shows=PUMP,
    ),
    FaultKind(
        "line-blocked", (19,), "No water moves though the pump turns: a shut valve, a stone.", "As with a dry loop.",
        "share of the flow left", 0.02, 0.0, ASKS_FLOW, alter=_pump_table, promised_h=0.4, needs=METER,
        promised_from=0.3, names=NO_WATER, takes=frozenset({WATER}),
        shows=PUMP,
    ),
    FaultKind(
        "line-clogging", (19,), "Each day a little less water at the same duty.",
        "Tell at 15 % less than commissioned.",
        "share of the flow lost a day", 0.15, 0.6,
        Proof("flow at every speed falls within a day", params_at(at.P_PUMP_TABLE, at.PUMP_POINTS), 0.05,
        after_s=86400.0),
        alter=_closing, names=NO_WATER | {"flow-low"},
        would_tell="a flow meter, compared with the commissioned pump curve",
        shows=PUMP, ages=True,
        shortest_h=24.0,
    ),
    FaultKind(
        "line-leaking", (19,), "The level sinks for hours, then the pump draws air.", "As with a dry loop.",
        "hours until the pump draws air", 30.0, 3.0,
        Proof("flow at every speed ends within 40 h", params_at(at.P_PUMP_TABLE, at.PUMP_POINTS), 0.05,
        after_s=40 * 3600.0),
        alter=_leaking, names=NO_WATER | {"flow-low", "flow-high"}, takes=frozenset({WATER}), shows=PUMP, ages=True,
    ),
    FaultKind(
        "line-frozen", (20,), "Ice in the return pipe: the pump turns and nothing moves.",
        "Do not drive against ice; tell that the line must be thawed.", "share of the water that is ice", 0.4, 0.9,
        Proof("ice in the line", state_at(at.Y_RING + at.RING_RETURN, at.LINE_CELLS), 1e4, after_s=5.0),
        strike=_ice, mend=_thaw, promised_h=0.4, promised_from=0.6, needs=METER, names=NO_WATER | {"frost"},
        takes=frozenset({WATER}), shows=PUMP,
    ),
    FaultKind(
        "line-bare", (20,), "The pipes lie bare in the frost: insulation torn off.",
        "Pulse or drain in time; tell what it costs.",
        "share of the cover lost", 0.4, 1.0, Proof("the ground's share falls", params_at(at.P_BURIAL), 0.05),
        alter=_bare, names=frozenset({"frost", "frost-cost", "frost-drain"}),
        would_tell="a probe on the coldest stretch of pipe",
        shortest_h=24.0, longest_h=96.0,
    ),
    FaultKind(
        "night-siphon", (21,), "Water rises by its own warmth through the stopped pump; the pile cools.",
        "Tell: fit a check valve; book the loss.", "flow through the stopped pump, kg/s", 0.008, 0.04,
        Proof("water moves at duty 0", true("flow_kg_s"), 0.005), alter=set_to(at.P_SIPHON_KG_S),
        promised_h=2.5, needs=METER, promised_from=0.5, names=frozenset({"flow-while-off", "thermosiphon"}),
        would_tell="a flow meter", takes=frozenset({PUSHED_WATER}),
    ),
    FaultKind(
        "supply-return-swapped", (22,), "Water seems to leave the pile colder than it enters.",
        "Tell; offer to swap the names.",
        "", 1.0, 1.0, Proof("supply less return turns round", _difference, 1.0, pump=0.6, after_s=7200.0),
        alter=_swapped,
        promised_h=2, needs=("water_return_c",), names=frozenset({"probes-swapped", "no-heat", "probe-leapt"}), shows=PUMP,
    ),
    FaultKind(
        "coil-fouled", (41,), "Less heat comes out of the pile at the same flow.",
        "Draw what comes; offer to tune again.",
        "share of the conductance left", 0.4, 0.08, Proof("coil conducts less", params_at(at.P_RING_UA, at.COIL_CELLS),
        1.0),
        alter=_coil, names=NO_WATER | {"flow-low"},
        would_tell="return probe and flow meter, compared with the commissioned coil",
        shows=PUMP,
    ),
    FaultKind(
        "emitter-blocked", (2,), "The pile is hot, the house stays cold: hardly any heat leaves the water.",
        "Say that delivery is the limit; do not add flow.", "share of the emitter's conductance left", 0.3, 0.03,
        Proof("emitter conducts less", params_at(at.P_RING_UA + at.RING_EMITTER, at.EMITTER_CELLS), 1.0),
        alter=_emitter,
        would_tell="return and greenhouse probes, compared with the house when commissioned", shows=PUMP,
        takes=frozenset({"house"}),
    ),
    FaultKind(
        "meter-clogged", (17,), "The flow meter reads nothing though water moves.",
        "Do not trip the pump; use its curve; mark the heat.",
        "share of the pulses left", 0.05, 0.0, Proof("reading falls", reading("water_flow_kg_s"), 0.01, pump=1.0),
        alter=gained("water_flow_kg_s"), promised_h=0.7, needs=METER, promised_from=0.9,
        names=frozenset({"flow-meter", "no-flow", "line-frozen"}), shows=PUMP,
        fits=lambda scenario: "water_flow_kg_s" in scenario.sensors.fitted,
    ),
    FaultKind(
        "meter-noise", (18,), "The flow meter counts noise with the pump off.", "Drop the channel; credit no heat.",
        "flow it invents, kg/s", 0.01, 0.2, Proof("reading rises at rest", reading("water_flow_kg_s"), 0.005),
        alter=offset("water_flow_kg_s"), promised_h=2.5, needs=METER, promised_from=0.3,
        names=RUNS_ON | {"flow-meter", "flow-high"},
        fits=lambda scenario: "water_flow_kg_s" in scenario.sensors.fitted,
    ),
    FaultKind(
        "pump-weak-start", (15,), "The pump needs far more duty to keep turning.", "Learn it, ask for more.",
        "factor on the smallest running duty", 1.3, 3.0, Proof("running duty rises", params_at(at.P_PUMP_RUN), 0.03),
        alter=scaled(at.P_PUMP_RUN), names=NO_MOTOR | {"flow-low"}, would_tell="a flow meter", shows=PUMP,
    ),
)  # fmt: skip
