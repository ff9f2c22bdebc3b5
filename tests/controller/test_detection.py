"""Each fault is named by its alarm within the time that its story states, by one notice, and a sound plant by none."""

from __future__ import annotations

from math import nan
from random import Random

import pytest
from faulty import Fault, LivePlant, Seen, nothing, play, reads, silent, swapped

from controller.alarms import CODES
from controller.stories import STORIES

DAY_H = 24.0


def story_of(fault: str):
    (found,) = (s for s in STORIES if s.fault == fault)
    return found


def pulled_out(seen: Seen, since_s: float, plant: LivePlant) -> None:
    """A probe with a thermal lag of four minutes, out in the greenhouse."""
    seen["pile_core_c"] = 6.0 + 56.0 * 0.5 ** (since_s / 170.0)


def dropping(seen: Seen, since_s: float, plant: LivePlant) -> None:
    if plant.chance.random() < 0.4:
        seen["pile_core_c"] = nan


def false_codes(seen: Seen, since_s: float, plant: LivePlant) -> None:
    if plant.chance.random() < 0.35:
        seen["pile_core_c"] = plant.chance.choice([85.0, 127.94])


def jumping(seen: Seen, since_s: float, plant: LivePlant) -> None:
    seen["pile_core_c"] += plant.chance.choice([0.0, 0.0, -12.0, 9.0])


def counts_noise(seen: Seen, since_s: float, plant: LivePlant) -> None:
    seen["water_flow_kg_s"] = 0.05


def by_itself(seen: Seen, since_s: float, plant: LivePlant) -> None:
    seen["water_supply_c"] = min(20.0 + since_s / 300.0, 50.0)


def by_itself_metered(seen: Seen, since_s: float, plant: LivePlant) -> None:
    by_itself(seen, since_s, plant)
    seen["water_flow_kg_s"] = 0.012


def edge_loses(seen: Seen, since_s: float, plant: LivePlant) -> None:
    seen["pile_edge_c"] -= min(0.7 * since_s / 3600.0, 16.0)


def dawns_fall(name: str) -> Fault:
    def fault(seen: Seen, since_s: float, plant: LivePlant) -> None:
        seen[name] -= 0.15 * since_s / 86400.0

    return fault


def both_dawns_fall(seen: Seen, since_s: float, plant: LivePlant) -> None:
    for name in ("pump_battery_v", "fan_battery_v"):
        dawns_fall(name)(seen, since_s, plant)


def stands(seen: Seen, since_s: float, plant: LivePlant) -> None:
    """No water moves and what stands in the pipe cools."""
    seen["water_flow_kg_s"] = 0.0
    seen["water_supply_c"] = 8.0 + 32.0 * 0.5 ** (since_s / 3600.0)


def stands_in_frost(seen: Seen, since_s: float, plant: LivePlant) -> None:
    stands(seen, since_s, plant)
    seen["outdoor_c"] = -4.0


IDLE = {"greenhouse_c": 15.0}  # wants no heat: the pump stays off
AIRY = {"pile_o2": 0.05}  # the fan runs in pulses
CASES: list[tuple[str, str, Fault, float, dict[str, float]]] = [
    ("core probe pulled out", "core-pulled", pulled_out, 2, {}),
    ("pile turned or fed", "core-pulled", reads(pile_core_c=30.0, pile_edge_c=28.0), 2, {}),
    ("readings drop out, jump or flicker", "sensor-flickers", dropping, 2, {}),
    ("readings drop out, jump or flicker", "sensor-flickers", jumping, 2, {}),
    ("false codes 85 and 127.94 degC", "sensor-flickers", false_codes, 2, {}),
    ("a probe vanishes", "core-probe", silent("pile_core_c"), 3, {}),
    ("a probe vanishes", "edge-silent", silent("pile_edge_c"), 3, {}),
    ("a probe vanishes", "return-silent", silent("water_return_c"), 3, {}),
    ("a probe vanishes", "meter-silent", silent("water_flow_kg_s"), 3, {}),
    ("a probe vanishes", "house-silent", silent("greenhouse_c"), 3, {}),
    ("a probe vanishes", "outdoor-silent", silent("outdoor_c"), 3, {}),
    ("a probe vanishes", "tank-silent", silent("tank_c"), 3, {}),
    ("a probe vanishes", "fan-speed-silent", silent("fan_speed_hz"), 3, {}),
    ("a probe vanishes", "house-humidity-silent", silent("greenhouse_rh"), 3, {}),
    ("a probe vanishes", "duct-air-silent", silent("air_supply_c"), 3, {}),
    ("a probe vanishes", "duct-humidity-silent", silent("air_supply_rh"), 3, {}),
    ("a probe vanishes", "oxygen-silent", silent("pile_o2"), 3, {"pile_o2": 0.18}),
    ("a probe vanishes", "probes-wire", silent("water_supply_c", "water_return_c", "outdoor_c", "tank_c"), 3, {}),
    ("core and edge probe swapped", "core-edge", swapped("pile_core_c", "pile_edge_c"), 32, {"pile_edge_c": 36.0}),
    ("a probe is some kelvin wrong, or drifts", "core-edge", reads(pile_core_c=47.0, pile_edge_c=68.5), 32, {}),
    (
        "greenhouse and outdoor probe swapped",
        "house-outdoor",
        swapped("greenhouse_c", "outdoor_c"),
        6,
        {"outdoor_c": -4.0},
    ),
    ("water circulates by itself", "thermosiphon", by_itself, 5, IDLE),
    ("water circulates by itself", "thermosiphon", by_itself_metered, 5, IDLE),
    ("flow meter counts noise", "flow-while-off", counts_noise, 6, IDLE),
    ("pump switch shorted: pump runs on", "pump-runs-on", reads(water_flow_kg_s=0.5, water_supply_c=40.0), 3, IDLE),
    ("line frozen", "line-frozen", stands_in_frost, 3, {}),
    ("air lock", "no-flow", stands, 3, {}),
    ("battery dying or starved", "pump-battery-falling", dawns_fall("pump_battery_v"), 7 * DAY_H, {}),
    ("battery dying or starved", "fan-battery-falling", dawns_fall("fan_battery_v"), 7 * DAY_H, {}),
    ("panel under snow or shade", "panels-dark", both_dawns_fall, 7 * DAY_H, {}),
    ("mould: wet leaves all night", "house-wet", reads(greenhouse_rh=0.96), 5 * DAY_H, {}),
    ("cover off; storm water in the pile", "edge-cools", edge_loses, 30, {}),
    ("air takes a short cut", "air-shortcut", edge_loses, 30, AIRY),
    ("airless", "pile-airless", reads(pile_o2=0.01), 30, {"pile_o2": 0.18}),
]


@pytest.mark.parametrize(
    ("fault", "code", "change", "hours", "base"), CASES, ids=[f"{c[1]}-{i}" for i, c in enumerate(CASES)]
)
def test_a_fault_is_named_in_time_and_by_one_notice(
    fault: str, code: str, change: Fault, hours: float, base: dict[str, float]
) -> None:
    story = story_of(fault)
    assert code in story.alarms
    told, _ = play(change, hours, **base)
    slack_s = 86400.0 if code.endswith(("falling", "dark", "wet")) else 0.0  # whole days are counted from the start
    limit_s = 1800.0 if story.within_s != story.within_s else story.within_s + slack_s
    assert 0.0 <= told[code] <= limit_s
    moved = {"core-pulled"} if code == "core-edge" else set()  # the plug was moved, and that is seen first
    flat = {c for c in told if c.endswith("-flat")} if code.endswith(("falling", "dark")) else set()
    assert set(told) - moved - flat == {code}
    assert all(told[c] > told[code] for c in flat)  # foretold: the week ends with a flat battery


@pytest.mark.parametrize(
    ("flow_kg_s", "return_c", "supply_c", "chills"),
    [(0.26, 14.0, 16.0, True), (0.06, 28.0, 31.0, False)],
    ids=["a pump that runs on", "a siphon, or the noise of a meter"],
)
def test_a_pump_that_runs_on_chills_the_pile_that_is_believed(
    flow_kg_s: float, return_c: float, supply_c: float, chills: bool
) -> None:
    """The core probe lies too far from the coil to see it; when the water stands again the pile must not be drawn."""

    def unbidden(seen: Seen, since_s: float, plant: LivePlant) -> None:
        seen["greenhouse_c"] = 15.0  # wants no heat
        if since_s > 600.0:
            seen |= {"water_flow_kg_s": flow_kg_s, "water_return_c": return_c, "water_supply_c": supply_c}

    _, before = play(reads(greenhouse_c=15.0), 8.0, sound_hours=6.0)
    _, after = play(unbidden, 8.0, sound_hours=6.0)
    fallen_k = before.estimate.core_c - after.estimate.core_c
    assert fallen_k > 10.0 if chills else fallen_k < 1.0


def dies_in_mid_draw(seen: Seen, since_s: float, plant: LivePlant) -> None:
    seen["water_flow_kg_s"] = 0.0


def test_a_meter_that_dies_in_mid_draw_is_told_after_one_rest() -> None:
    """Warm water in the pipe proves no flow: the pump is stopped first, and the next start tells by its warm bubble."""
    told, d = play(dies_in_mid_draw, 3, sound_hours=2.0)
    assert told["flow-meter"] <= 2400.0
    assert set(told) <= {"flow-meter", "no-flow"}


@pytest.mark.parametrize("seed", range(4))
def test_a_sound_plant_is_told_nothing(seed: int) -> None:
    chance = Random(seed)
    base = {"outdoor_c": chance.uniform(-8.0, 9.0), "greenhouse_c": chance.uniform(5.0, 16.0)} | (
        AIRY if seed % 2 else {}
    )
    told, _ = play(nothing, 48.0, **base)
    assert told == {}


def test_a_house_left_open_or_a_heater_off() -> None:
    def opened(seen: Seen, since_s: float, plant: LivePlant) -> None:
        seen["greenhouse_c"] = seen["outdoor_c"] + 1.0

    told, _ = play(opened, 6.0, sound_hours=6.5 * DAY_H, outdoor_c=-4.0, greenhouse_c=7.0)
    assert set(told) == {"house-open"} and told["house-open"] <= story_of("door or vent open").within_s


def test_a_house_that_is_hardly_heated_tells_nothing() -> None:
    told, _ = play(reads(greenhouse_c=2.0), 6.0, sound_hours=6.5 * DAY_H, greenhouse_c=5.0)
    assert told == {}


@pytest.mark.parametrize(("share", "code"), [(0.8, "flow-low"), (1.35, "flow-high")])
def test_flow_at_the_same_power_that_changes(share: float, code: str) -> None:
    def changed(seen: Seen, since_s: float, plant: LivePlant) -> None:
        seen["water_flow_kg_s"] *= share

    told, _ = play(changed, DAY_H, sound_hours=10.5 * DAY_H, tick_s=120.0)
    assert set(told) == {code} and told[code] <= story_of("slow clog, slow leak, worn pump").within_s


@pytest.mark.parametrize("share", [0.75, 1.25])
def test_a_fan_that_turns_otherwise_than_at_first(share: float) -> None:
    def changed(seen: Seen, since_s: float, plant: LivePlant) -> None:
        seen["fan_speed_hz"] *= share

    told, _ = play(changed, 3 * DAY_H, sound_hours=10.5 * DAY_H, tick_s=120.0, **AIRY)
    assert set(told) == {"fan-changed"} and told["fan-changed"] <= story_of("air path blocked by water or ice").within_s


def test_no_warm_air_comes_from_the_pile() -> None:
    def torn(seen: Seen, since_s: float, plant: LivePlant) -> None:
        seen["air_supply_c"] = seen["outdoor_c"] + 1.0

    told, _ = play(torn, 2 * DAY_H, **AIRY)
    assert set(told) == {"no-pile-air"}


def test_every_alarm_has_a_story_and_every_story_of_the_list_is_there() -> None:
    assert {s.number for s in STORIES} == set(range(43))
    named = {code for s in STORIES for code in s.alarms}
    assert set(CODES) - named == {"frost", "frost-cost", "frost-drain"}  # dangers, not faults
    assert named <= set(CODES)
    for s in STORIES:
        assert s.fault and s.response
        assert s.within_s > 0.0 or s.within_s != s.within_s
        assert bool(s.told_by) <= bool(s.class_of)
