"""What goes wrong with probes and meters: stuck, drifting, off, noisy, silent, false codes, pulled out."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from controller.alarm_kinds import LEAPING
from sim.faults.changes import (
    coded,
    drift,
    false_code,
    missing,
    noisy,
    offset,
    reading,
    scatter,
    silent,
    stuck,
    wander,
)
from sim.faults.kinds import Amount, FaultKind, Proof

if TYPE_CHECKING:
    from sim.faults.plant import FaultyPlant
    from sim.scenario import Scenario

POWER_ON_C = 85.0
# what is named: field, name, alarms when silent, when stuck, when it is off so far that others contradict
PROBES = (
    ("pile_core_c", "core-probe", {"core-probe", "pile-probe"}, {"core-stuck"}, {"core-edge"}),
    ("pile_edge_c", "edge-probe", {"edge-silent"}, set(), {"core-edge", "edge-cools", "air-shortcut"}),
    ("water_supply_c", "supply-probe", {"supply-probe"}, {"supply-stuck", "no-heat"}, {"probes-swapped", "no-heat",
    "scald"}),
    ("water_return_c", "return-probe", {"return-silent"}, set(), {"probes-swapped", "no-heat"}),
    ("greenhouse_c", "house-probe", {"house-silent"}, set(), {"house-outdoor", "house-open"}),
    ("outdoor_c", "outdoor-probe", {"outdoor-silent"}, {"outdoor-stuck"}, {"house-outdoor", "house-open"}),
    ("tank_c", "tank-probe", {"tank-silent"}, set(), {"tank-change"}),
)  # fmt: skip
SECOND = "a second probe at the same place"


def _fits(field: str) -> Callable[[Scenario], bool]:
    return lambda scenario: field in scenario.sensors.fitted


def _probe(field: str, name: str, quiet: set[str], still: set[str], wrong: set[str]) -> tuple[FaultKind, ...]:
    restless = frozenset(quiet | {"sensor-flickers"})
    return *_lost(field, name, quiet), *_restless(field, name, restless), *_wrong(field, name, still, wrong)


def _lost(field: str, name: str, quiet: set[str]) -> tuple[FaultKind, ...]:
    fits, careful = _fits(field), "Go on with what is left, more carefully; tell."
    return (
        FaultKind(
            f"{name}-silent", (24,), "No reading for hours.", careful, "share of the readings missing", 1.0, 1.0,
            Proof("readings missing", missing(field), 0.9), alter=silent(field), promised_h=0.75,
            names=frozenset(quiet), fits=fits,
        ),
        FaultKind(
            f"{name}-flickers", (24,), "Readings come and go.", "Use those that come; tell if too few do.",
            "share of the readings missing", 0.3, 0.9, Proof("readings missing", missing(field), 0.1),
            alter=silent(field), promised_h=1.5, promised_from=0.3,
            names=frozenset(quiet | {"sensor-flickers"}), would_tell="a count of lost readings", fits=fits,
        ),
    )  # fmt: skip


QUICK = ("greenhouse_c", "outdoor_c")  # air may change fast: fewer of its jumps can be called bad


def _restless(field: str, name: str, names: frozenset[str]) -> tuple[FaultKind, ...]:
    fits = _fits(field)
    told_h = 4.0 if field in QUICK else 1.5
    return (
        FaultKind(
            f"{name}-noisy", (23,), "The reading jumps by degrees from second to second.", "Smooth or drop it; tell.",
            "standard deviation, K", 1.5, 8.0, Proof("scatter", scatter(field), 0.5), alter=noisy(field),
            promised_h=told_h, promised_from=0.8, names=names,
            would_tell="a count of doubtful readings", fits=fits,
        ),
        FaultKind(
            f"{name}-power-on", (23,), "It reads 85.0 °C each time its supply blinks.",
            "Reject the sample and count; never by value alone.",
            "share of the readings", 0.2, 1.0, Proof("readings of 85.0 °C", coded(field, POWER_ON_C), 0.1),
            alter=false_code(field, POWER_ON_C), promised_h=1.5, promised_from=0.3,
            names=names,
            would_tell="a count of false codes", fits=fits,
        ),
    )  # fmt: skip


def _wrong(field: str, name: str, still: set[str], wrong: set[str]) -> tuple[FaultKind, ...]:
    fits = _fits(field)
    return (
        FaultKind(
            f"{name}-stuck", (26,), "The reading never changes.",
            "Drop it where physics says it must have moved; tell.", "", 0.0, 0.0,
            Proof("it does not follow", wander(field), 2.0), alter=stuck(field), names=frozenset(still),
            would_tell=SECOND, fits=fits,
        ),
        *(
            FaultKind(
                f"{name}-reads-{word}", (25,), f"The reading is degrees too {word}.",
                "Compare at rest; tell; lean on the other probes.",
                "kelvin off", 1.5 * sign, 8.0 * sign, Proof("reading moves", reading(field), 1.0), alter=offset(field),
                names=frozenset(wrong | {"probe-leapt"} if field in LEAPING else wrong), would_tell=SECOND, fits=fits,
            )
            for word, sign in (("high", 1.0), ("low", -1.0))
        ),
        FaultKind(
            f"{name}-drifts", (25,), "The reading moves away day by day.", "Compare at rest; tell.", "kelvin a day",
            1.0, 4.0,
            Proof("reading moves within a day", reading(field), 0.5, after_s=86400.0), alter=drift(field),
            names=frozenset(wrong),
            would_tell=SECOND, ages=True, shortest_h=48.0, fits=fits,
        ),
    )  # fmt: skip


def _out(world: FaultyPlant, amount: Amount, age_s: float) -> None:
    """Pulled out and left in the sun: outdoor air and some."""
    world.tap(pile_core_c=lambda m: m.outdoor_c + amount)


def _swapped(world: FaultyPlant, amount: Amount, age_s: float) -> None:
    world.tap(pile_core_c=lambda m: m.pile_edge_c, pile_edge_c=lambda m: m.pile_core_c)


def _core_less_edge(world: FaultyPlant) -> float:
    return reading("pile_core_c")(world) - reading("pile_edge_c")(world)


def _meter(field: str, name: str, story: int, names: set[str]) -> FaultKind:
    def fits(scenario: Scenario) -> bool:
        return field in scenario.sensors.fitted

    return FaultKind(
        name, (story,), "No reading for hours.", "Go on with what is left, more carefully; tell.",
        "share of the readings missing", 1.0, 1.0, Proof("readings missing", missing(field), 0.9), alter=silent(field),
        promised_h=0.75, names=frozenset(names), fits=fits,
    )  # fmt: skip


KINDS = (
    *(kind for probe in PROBES for kind in _probe(*probe)),
    FaultKind(
        "core-probe-out", (27,), "The core probe lies in the yard and reads outdoor air and sun.",
        "Hold the last safe draw; no air; tell.", "kelvin above outdoor air", 0.0, 8.0,
        Proof("reading falls to the air's", reading("pile_core_c"), 5.0), alter=_out, promised_h=0.75,
        names=frozenset({"core-pulled"}),
        fits=lambda scenario: {"pile_core_c", "outdoor_c"} <= set(scenario.sensors.fitted),
    ),
    FaultKind(
        "pile-probes-swapped", (22,), "Core and edge probe have changed places.",
        "Tell if the edge is warmer than the core for days.",
        "", 1.0, 1.0, Proof("core less edge turns round", _core_less_edge, 1.0), alter=_swapped,
        promised_h=31.0, names=frozenset({"core-edge", "core-pulled", "probe-leapt", "edge-cools"}),
        would_tell="a look at the names", fits=lambda scenario: {"pile_core_c",
        "pile_edge_c"} <= set(scenario.sensors.fitted),
    ),
    _meter("water_flow_kg_s", "meter-silent", 17, {"meter-silent"}),
    _meter("pump_battery_v", "pump-volts-silent", 24, {"pump-battery"}),
    _meter("fan_battery_v", "fan-volts-silent", 24, {"fan-battery"}),
    _meter("fan_speed_hz", "tacho-silent", 24, {"fan-speed-silent"}),
    _meter("greenhouse_co2", "co2-probe-silent", 36, {"co2-probe"}),
    _meter("greenhouse_rh", "humidity-silent", 24, {"house-humidity-silent"}),
)  # fmt: skip
