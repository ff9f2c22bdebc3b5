"""What goes wrong with fan, duct and house."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sim import layout as at
from sim.faults.changes import both, fixed, ledger_at, params_at, scaled, set_to, true, wire
from sim.faults.kinds import FAN, Amount, FaultKind, Proof
from sim.faults.water import STUCK_DUTY
from sim.rules import AIR, HOUSE, PUSHED_AIR

if TYPE_CHECKING:
    from sim.faults.plant import FaultyPlant

STALLED = frozenset({"fan-stalled", "fan-speed"})
NO_FAN = STALLED | {"fan-supply-cut"}
LESS_AIR = frozenset({"fan-changed", "no-pile-air"})
TACHO = ("fan_speed_hz",)
NO_AIR = frozenset({AIR})
BLOWS = Proof("air at full duty falls", true("fan_kg_s"), 0.001, fan=1.0)
FAN_STANDS = Proof("the fan stands at full duty", true("fan_on"), 1.0, fan=1.0)
FAN_TURNS = Proof("the fan turns at duty 0", true("fan_on"), 1.0)
PRESSURE = "pressure in the duct, or temperature of its air compared with the pile's"


def _blade_lost(world: FaultyPlant, amount: Amount, age_s: float) -> None:
    world.plant.params[at.P_FAN_P0] *= amount * amount
    world.plant.params[at.P_FAN_Q0] *= amount


def _torn(world: FaultyPlant, amount: Amount, age_s: float) -> None:
    leak = world.plant.params[at.P_DUCT_LEAK]
    world.plant.params[at.P_DUCT_LEAK] = leak + (1.0 - leak) * amount


def _cooled(world: FaultyPlant, amount: Amount, age_s: float) -> None:
    """A door to the yard: so many air changes an hour more."""
    world.plant.params[at.P_INFILTRATION] += amount / 3600.0


_damp = scaled(at.P_PLANT)
KINDS = (
    FaultKind(
        "fan-seized", (35,), "The fan is on and stands: ice, a stuck bearing.",
        "Rest it, try with growing pauses, tell.",
        "", 1.0, 1.0, FAN_STANDS, alter=lambda w, a, t: set_to(at.P_FAN_START, at.P_FAN_RUN)(w, STUCK_DUTY, t),
        promised_h=0.5, needs=TACHO, names=NO_FAN, takes=NO_AIR, shows=FAN,
    ),
    FaultKind(
        "fan-lead-loose", (16,), "The fan is on and draws nothing.", "Rest it, try again, tell.", "", 1.0, 1.0,
        FAN_STANDS,
        alter=wire("fan", lambda a: lambda duty: 0.0), promised_h=0.5, needs=TACHO, names=NO_FAN,
        takes=NO_AIR, shows=FAN,
    ),
    FaultKind(
        "fan-stuck-on", (31,), "The fan runs whatever is commanded.", "Tell at once: only its plug stops it.", "", 1.0,
        1.0,
        FAN_TURNS, alter=wire("fan", lambda a: lambda duty: 1.0), promised_h=0.2, needs=TACHO,
        names=frozenset({"fan-runs-on", "co2"}),
        takes=frozenset({PUSHED_AIR}),
    ),
    FaultKind(
        "fan-inverted", (31,), "The fan runs when it should stand.", "Tell at once: only its plug stops it.", "", 1.0,
        1.0, FAN_TURNS,
        alter=wire("fan", lambda a: lambda duty: 1.0 - duty), promised_h=0.2, needs=TACHO,
        names=frozenset({"fan-runs-on", "co2"}),
        takes=frozenset({PUSHED_AIR, AIR}),
    ),
    FaultKind(
        "fan-blade-lost", (7,), "The fan turns and moves little air.", "None; tell if the heat it brings is missed.",
        "share of the flow left", 0.5, 0.1, BLOWS, alter=_blade_lost, names=LESS_AIR, would_tell=PRESSURE, shows=FAN,
    ),
    FaultKind(
        "duct-torn", (6,), "The fan turns, its warm air goes into the yard.", "Stop blowing heat out; tell.",
        "share of the rest lost", 0.6, 1.0,
        Proof("the duct leaks more", params_at(at.P_DUCT_LEAK), 0.1), alter=_torn, names=LESS_AIR,
        would_tell=PRESSURE, shows=FAN,
    ),
    FaultKind(
        "intake-snowed", (7,), "Snow or ice in the air's way: the fan turns against it.",
        "Never answer by more duty; tell.",
        "factor on the pile's resistance", 20.0, 300.0, BLOWS, alter=scaled(at.P_FAN_R1), names=LESS_AIR,
        would_tell=PRESSURE,
        shows=FAN, takes=NO_AIR,
    ),
    FaultKind(
        "duct-wet", (35,), "Condensate stands in the duct: less air, all of it cold.",
        "Purge with warm air before a stop; tell.",
        "factor on the duct's loss", 4.0, 15.0, Proof("the duct loses more heat", params_at(at.P_DUCT_UA), 2.0),
        alter=both(scaled(at.P_DUCT_UA), fixed(scaled(at.P_FAN_R2), 4.0)), names=LESS_AIR | STALLED,
        would_tell=PRESSURE, shows=FAN,
    ),
    FaultKind(
        "house-sealed", (36,), "The house is shut so tight that pile air gathers in it.",
        "No pile air above the CO2 limit; tell.",
        "share of the air changes left", 0.2, 0.02, Proof("fewer air changes", params_at(at.P_INFILTRATION), 1e-6),
        alter=both(scaled(at.P_INFILTRATION), scaled(at.P_WIND_INFILTRATION)), names=frozenset({"co2"}),
        would_tell="a CO2 probe in the house", shows=FAN,
    ),
    FaultKind(
        "house-damp", (37, 38), "Leaves stay wet from dusk to dawn, or an unvented heater fills the house with vapour.",
        "No moist pile air; warm and vent.", "factor on the vapour given off", 4.0, 20.0,
        Proof("vapour given off", ledger_at(at.L_VAPOUR_PLANTS), 0.005, after_s=7200.0), alter=_damp,
        names=frozenset({"house-wet"}), would_tell="a humidity probe read over a night",
    ),
    FaultKind(
        "door-open", (39,), "The house cools fast in steady weather.", "Tell; do not chase it with the pile.",
        "air changes an hour more", 6.0, 40.0, Proof("more air changes", params_at(at.P_INFILTRATION), 1e-4),
        alter=_cooled, names=frozenset({"house-open"}),
        would_tell="the house's cooling, compared with what it was when commissioned",
        takes=frozenset({HOUSE}),
        shortest_h=2.0, longest_h=36.0,
    ),
)  # fmt: skip
