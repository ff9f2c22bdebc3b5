"""What goes wrong with panels, charge controllers and batteries: each for the pump's supply and the fan's."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sim import layout as at
from sim.faults.changes import flag_at, panel_w, params_at, state_at
from sim.faults.kinds import ALWAYS, FAN, PUMP, Alter, Amount, FaultKind, Proof, Strike
from sim.pile import W_PANEL_FAN, W_PANEL_PUMP
from sim.power import FAN_SIDE, PUMP_SIDE, ChargeController
from sim.rules import AIR, WATER

if TYPE_CHECKING:
    from sim.faults.plant import FaultyPlant
    from sim.scenario import Scenario

COLUMN = {PUMP_SIDE: W_PANEL_PUMP, FAN_SIDE: W_PANEL_FAN}
SHUNT = "a current sensor at the battery"


def _dark(side: int) -> Alter:
    def alter(world: FaultyPlant, amount: Amount, age_s: float) -> None:
        world.own_table()[:, COLUMN[side]] *= amount

    return alter


def _worn(side: int) -> Alter:
    """Capacity falls to the amount, inner resistance rises as much."""

    def alter(world: FaultyPlant, amount: Amount, age_s: float) -> None:
        p = world.plant.params
        p[at.P_BAT_CAPACITY + side] *= amount
        p[at.P_BAT_R + side] /= amount
        y = world.plant.state
        y[at.Y_CHARGE + side] = min(y[at.Y_CHARGE + side], p[at.P_BAT_CAPACITY + side])

    return alter


def _short(side: int) -> Alter:
    def alter(world: FaultyPlant, amount: Amount, age_s: float) -> None:
        world.plant.params[at.P_BAT_LOST_V + side] = amount

    return alter


def _cold(side: int, bare: bool = False) -> Alter:
    def alter(world: FaultyPlant, amount: Amount, age_s: float) -> None:
        world.plant.params[at.P_BAT_CHILL_K + side] = amount
        world.plant.params[at.P_BAT_BARE + side] = bare

    return alter


def _drained(side: int) -> Strike:
    def strike(world: FaultyPlant, amount: Amount) -> None:
        world.plant.state[at.Y_CHARGE + side] = amount * world.plant.params[at.P_BAT_CAPACITY + side]

    return strike


def _latch(side: int) -> Strike:
    def strike(world: FaultyPlant, amount: Amount) -> None:
        world.plant.flags[at.G_LATCHED_PUMP + side] = 1.0

    return strike


def _restart(side: int) -> Strike:
    """The grower's hands, in the right order."""

    def mend(world: FaultyPlant, amount: Amount) -> None:
        controller = ChargeController(world.plant.flags, side)
        controller.disconnect_all()
        for part in ChargeController.ORDER:
            controller.connect(part)

    return mend


def _side(name: str, side: int) -> tuple[FaultKind, ...]:
    low = frozenset({f"{name}-battery", f"{name}-battery-flat", f"{name}-battery-falling", "panels-dark"})
    worn = frozenset({f"{name}-battery-worn", f"{name}-battery"})
    takes = frozenset({WATER if side == PUMP_SIDE else AIR})
    shows = PUMP if side == PUMP_SIDE else FAN
    volts = (f"{name}_battery_v",)
    return (
        FaultKind(
            f"{name}-panel-dark", (29,), f"The {name}'s panel brings nothing: snow, shade, a blown fuse.",
            "Ration; keep the reserve for frost; tell before the battery is flat.", "share of its power left", 0.15,
            0.0,
            Proof("power of ten days", panel_w(COLUMN[side]), 0.01), alter=_dark(side), promised_h=5 * 24.0,
            promised_from=0.5, needs=volts, names=low,
            would_tell=f"{SHUNT}, or one on the panel", shortest_h=48.0, longest_h=120.0,
        ),
        FaultKind(
            f"{name}-battery-worn", (28,), f"The {name}'s battery empties in hours and gives way under load.",
            "Ration; tell to have it tested.", "share of its capacity left", 0.4, 0.08,
            Proof("it holds less", params_at(at.P_BAT_CAPACITY + side), 1000.0), alter=_worn(side), names=worn | low,
            would_tell=SHUNT, shortest_h=48.0, longest_h=120.0, shows=shows,
        ),
        FaultKind(
            f"{name}-cell-short", (28,), f"One cell of the {name}'s battery is shorted: two volts are missing.",
            "Rest the output; tell.", "volts missing", 1.6, 2.2, Proof("rest voltage falls",
            flag_at(at.G_VOLTS_PUMP + side), 0.8),
            alter=_short(side), promised_h=6.0, needs=volts, names=worn | low | {f"{name}-supply-cut"}, takes=takes,
        ),
        FaultKind(
            f"{name}-battery-cold", (28,), f"The {name}'s battery lies in the frost: it holds less and may freeze.",
            "Count on less; tell before it freezes.", "how much colder than its shed, K", 10.0, 30.0,
            Proof("it lies colder", params_at(at.P_BAT_CHILL_K + side), 5.0), alter=_cold(side),
            names=low | worn | {"battery-freeze", "battery-cold"}, would_tell="a probe on the battery", shortest_h=24.0,
        ),
        *_states(name, side, low, worn),
    )  # fmt: skip


def _states(name: str, side: int, low: frozenset[str], worn: frozenset[str]) -> tuple[FaultKind, ...]:
    """What becomes of a sound battery: flat, cut off by its charge controller, charged in the frost."""
    idle = (
        frozenset({"no-flow", "no-heat", "line-frozen"})
        if side == PUMP_SIDE
        else frozenset({"fan-stalled", "fan-speed"})
    )
    cut = frozenset({f"{name}-supply-cut"}) | low | idle
    takes = frozenset({WATER if side == PUMP_SIDE else AIR})
    shows = PUMP if side == PUMP_SIDE else FAN
    volts = (f"{name}_battery_v",)

    def lithium(scenario: Scenario) -> bool:
        return (scenario.pump_power if side == PUMP_SIDE else scenario.fan_power).kind == "lithium"

    return (
        FaultKind(
            f"{name}-battery-flat", (28,), f"The {name}'s battery is nearly empty.", "Keep the rest for frost; tell.",
            "charge left", 0.2, 0.01, Proof("charge falls", state_at(at.Y_CHARGE + side), 1000.0),
            strike=_drained(side), promised_h=2.0, promised_from=0.5, needs=volts, names=low | worn | cut,
            takes=takes,
        ),
        FaultKind(
            f"{name}-controller-latched", (30,), f"The {name}'s charge controller stands in error: no charge, no load.",
            "Tell: off with load, panel and battery; then battery, panel, load, in this order.", "", 1.0, 1.0,
            Proof("latched", flag_at(at.G_LATCHED_PUMP + side), 1.0), strike=_latch(side), mend=_restart(side),
            promised_h=0.4, needs=volts, names=cut, takes=takes,
            shows=shows,
        ),
        FaultKind(
            f"{name}-lithium-unguarded", (28,), f"The {name}'s lithium battery is charged below freezing.",
            "Tell: carry it indoors or fit a protection board.", "how much colder than its shed, K", 5.0, 20.0,
            Proof("nothing keeps it from charging", params_at(at.P_BAT_BARE + side), 1.0), alter=_cold(side, bare=True),
            names=frozenset({"battery-cold"}), would_tell="a probe on the battery", fits=lithium, shortest_h=24.0,
            shows=ALWAYS,
        ),
    )  # fmt: skip


KINDS = (*_side("pump", PUMP_SIDE), *_side("fan", FAN_SIDE))
