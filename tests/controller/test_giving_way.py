"""The order of giving way is the grower's, and it decides wherever two of the six collide."""

from __future__ import annotations

from itertools import permutations
from math import inf, nan
from typing import Any

import pytest
from helpers import CALM, START_S, reading, run

from controller import Controller, ControllerSettings, Decision, SettingsError
from controller.coil import expected_rise_k
from controller.giving_way import (
    BATTERY_RESERVE,
    CROP_MINIMUM,
    DEFAULT_ORDER,
    FLOOR_SPENT_K,
    FLOW,
    PILE_FLOOR,
    PIPE_FREEZING,
    SUPPLY_TEMPERATURE,
    fault_of,
    floor_may_be_spent,
    ranks,
    recovery_days,
    reserve_levels_v,
)
from controller.phases import HARVEST, REST
from controller.power import sag_v
from controller.water_loop import WaterLoop


def order(*first: str) -> tuple[str, ...]:
    """The default order with these names moved to the front."""
    return (*first, *(name for name in DEFAULT_ORDER if name not in first))


def last(*names: str) -> tuple[str, ...]:
    """The default order with these names moved to the end."""
    return (*(name for name in DEFAULT_ORDER if name not in names), *names)


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (DEFAULT_ORDER[:5], "must name each of"),
        ((*DEFAULT_ORDER[:5], "heat"), "must name each of"),
        ((*DEFAULT_ORDER, FLOW), "must name each of"),
        ("flow", "is not a list of names"),
        (order(FLOW), "must name pile-floor before supply-temperature and flow"),
        (last(PILE_FLOOR), "comfort may never spend the pile"),
    ],
)
def test_a_wrong_order_is_refused_in_one_line(value: object, words: str) -> None:
    with pytest.raises(SettingsError) as caught:
        ControllerSettings(giving_way=value)  # type: ignore[arg-type]
    assert "giving_way" in str(caught.value) and words in str(caught.value) and "\n" not in str(caught.value)


def test_a_list_as_files_give_it_is_taken() -> None:
    assert ControllerSettings(giving_way=list(DEFAULT_ORDER)).giving_way == DEFAULT_ORDER  # type: ignore[arg-type]


def test_every_sound_order_splits_the_reserve_in_its_own_order() -> None:
    sound = 0
    for one in permutations(DEFAULT_ORDER):
        if fault_of(one):
            continue
        sound += 1
        frost_v, crop_v, draw_v = reserve_levels_v(ranks(one), 11.9, 11.75)
        place = one.index
        assert all(11.75 <= v <= 11.9 for v in (frost_v, crop_v, draw_v))
        assert (frost_v < 11.9) is (place(PIPE_FREEZING) < place(BATTERY_RESERVE))
        assert (crop_v < 11.9) is (place(CROP_MINIMUM) < place(BATTERY_RESERVE))
        assert (draw_v < 11.9) is (place(FLOW) < place(BATTERY_RESERVE))
        if max(place(PIPE_FREEZING), place(CROP_MINIMUM)) < place(BATTERY_RESERVE):
            assert (frost_v < crop_v) is (place(PIPE_FREEZING) < place(CROP_MINIMUM))
    assert sound == 720 // 3  # the floor comes first of three in a third of all orders


@pytest.mark.parametrize(
    ("core_c", "sd_c", "floor_c", "may"),
    [
        (46.0, 1.0, 45.0, True),
        (45.0 - FLOOR_SPENT_K + 1.0, 1.0, 45.0, False),
        (41.5, 1.0, 40.0, True),
        (40.9, 1.0, 40.0, False),  # never below what a pile survives, whatever its floor
        (nan, 1.0, 45.0, False),
    ],
)
def test_how_far_the_floor_may_be_spent(core_c: float, sd_c: float, floor_c: float, may: bool) -> None:
    assert floor_may_be_spent(core_c, sd_c, floor_c) is may


def test_the_price_in_days_by_hand() -> None:
    """8 t, 60 % of it, 3000 J/kg K, 3 K: 43.2 MJ, which 500 W make in a day."""
    assert recovery_days(3.0, 8000.0, 500.0) == pytest.approx(1.0)
    assert recovery_days(3.0, 8000.0, 0.0) == inf
    assert recovery_days(-1.0, 8000.0, 500.0) == 0.0


# --- where two collide

FROSTY = {"outdoor_c": -8.0, "water_supply_c": 1.0, "water_return_c": 0.5, "greenhouse_c": 15.0}


def frost_pulses(giving_way: tuple[str, ...], **changes: float) -> tuple[int, Decision]:
    """How many ticks of four frosty hours the pump turned, and the last decision."""
    controller, on = Controller(ControllerSettings(giving_way=giving_way)), 0
    controller.phase = REST
    d = controller.step(reading(**(FROSTY | changes)))
    for k in range(1, 1440):
        flow = 0.04 if d.commands.pump_duty > 0.0 else 0.0
        d = controller.step(reading(START_S + 10.0 * k, **(FROSTY | changes | {"water_flow_kg_s": flow})))
        on += d.commands.pump_duty > 0.0
    return on, d


def test_frost_against_pile_floor() -> None:
    cold = {"pile_core_c": 43.0, "pile_edge_c": 35.0}
    assert frost_pulses(DEFAULT_ORDER, **cold)[0] > 5
    on, d = frost_pulses(order(PILE_FLOOR), **cold)
    assert on == 0
    assert "frost" in {a.code for a in d.alarms}  # the line must be drained instead, and the grower is told
    assert frost_pulses(order(PILE_FLOOR))[0] > 5  # a warm pile serves the line under any order


def test_frost_against_battery_reserve() -> None:
    low = {"pump_battery_v": 11.8}
    assert frost_pulses(DEFAULT_ORDER, **low)[0] > 5
    on, d = frost_pulses(order(BATTERY_RESERVE), **low)
    assert on == 0 and "frost" in {a.code for a in d.alarms}
    assert frost_pulses(DEFAULT_ORDER, pump_battery_v=11.6)[0] == 0  # the reserve itself ends


def drawn(
    giving_way: tuple[str, ...], hours: float = 3.0, phase: str = HARVEST, rest_v: float = 12.8, **changes: float
) -> list[Decision]:
    """What a controller with a full account decides in the given order, its battery giving way a little under load."""
    controller = Controller(ControllerSettings(giving_way=giving_way, start_hold_s=0.0))
    run(controller, 1800.0, greenhouse_c=15.0)
    controller.phase = phase
    controller.account.balance_j = 0.9 * 12000.0 * 8000.0
    decisions, now_s = [], START_S + 1860.0
    d = controller.step(reading(now_s, greenhouse_c=15.0))
    # these piles cool at once, which a controller would call a probe pulled out
    controller.slow.pulled.mean_c = changes.get("pile_core_c", nan)
    for k in range(round(hours * 360.0)):
        now_s += 10.0
        flow = controller.pump.ramped_kg_s if d.commands.pump_duty > 0.0 else 0.0
        seen = {"water_flow_kg_s": flow, "pump_battery_v": rest_v - sag_v(d.commands.pump_duty, 60.0)}
        seen["water_supply_c"] = CALM["water_supply_c"] + 0.06 * (
            k % 2
        )  # fresh water trembles; else the probe is stuck
        d = controller.step(reading(now_s, **(CALM | seen | changes)))
        decisions.append(d)
    return decisions


def time_on(decisions: list[Decision]) -> float:
    return sum(d.commands.pump_duty > 0.0 for d in decisions) / len(decisions)


def test_crop_against_battery_reserve() -> None:
    low = {"rest_v": 11.85}
    assert time_on(drawn(DEFAULT_ORDER, greenhouse_c=5.0, **low)) > 0.5
    kept = drawn(order(BATTERY_RESERVE), greenhouse_c=5.0, **low)
    assert time_on(kept[90:]) == 0.0 and kept[-1].limit == "battery"
    comfort = drawn(DEFAULT_ORDER, greenhouse_c=7.1, **low)  # above its minimum the crop has no claim on the reserve
    assert time_on(comfort[90:]) == 0.0


def test_any_draw_against_battery_reserve() -> None:
    low = {"rest_v": 11.88, "greenhouse_c": 7.1}
    assert time_on(drawn(DEFAULT_ORDER, **low)[90:]) == 0.0
    assert time_on(drawn(last(BATTERY_RESERVE), **low)) > 0.5


def test_crop_against_pile_floor() -> None:
    cool = {"pile_core_c": 49.0, "pile_edge_c": 40.0, "greenhouse_c": 4.0}
    default = drawn(DEFAULT_ORDER, phase=REST, **cool)
    assert time_on(default) == 0.0 and default[-1].limit == "pile-floor"
    swapped = drawn(order(PIPE_FREEZING, CROP_MINIMUM), phase=REST, **cool)
    assert time_on(swapped) > 0.5 and swapped[-1].limit == "crop"
    assert "as you rank them" in swapped[-1].reason
    assert "floor-spent" in {a.code for a in swapped[-1].alarms}
    warm = drawn(order(CROP_MINIMUM), phase=REST, **(cool | {"greenhouse_c": 8.0}))
    assert time_on(warm) == 0.0  # no crop at risk, no claim
    chilled = drawn(order(CROP_MINIMUM), phase=REST, **(cool | {"pile_core_c": 43.0}))
    assert time_on(chilled[600:]) == 0.0  # the floor may be spent, the pile not


SUPPLY_FIRST = (PIPE_FREEZING, PILE_FLOOR, SUPPLY_TEMPERATURE, CROP_MINIMUM, BATTERY_RESERVE, FLOW)


@pytest.mark.parametrize(
    ("giving_way", "greenhouse_c", "held"),
    [
        (DEFAULT_ORDER, 7.1, True),
        (DEFAULT_ORDER, 5.0, False),  # a crop at risk ranks above the supply temperature
        (DEFAULT_ORDER, nan, True),
        (last(SUPPLY_TEMPERATURE), 7.1, False),
        (SUPPLY_FIRST, 5.0, True),
    ],
)
def test_supply_temperature_against_flow_and_crop(
    giving_way: tuple[str, ...], greenhouse_c: float, held: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[bool] = []
    flow_kg_s = WaterLoop.flow_kg_s

    def spy(self: WaterLoop, *args: Any) -> float:
        asked.append(args[-1])
        return flow_kg_s(self, *args)

    monkeypatch.setattr(WaterLoop, "flow_kg_s", spy)
    drawn(giving_way, hours=0.5, greenhouse_c=greenhouse_c)
    assert asked[-1] is held


@pytest.mark.parametrize("effort", [0.8, 1.0])
def test_flow_gives_way_until_the_supply_reaches_its_target(effort: float) -> None:
    """A coil half as good as the settings say, in a bed of 55 degC: textbook supply against flow."""
    s = ControllerSettings()
    supply_c, flow, at = {False: 30.0, True: 30.0}, 0.0, {}
    for hold in (False, True):
        loop = WaterLoop(s)
        for _ in range(1500):
            flow = loop.flow_kg_s(True, effort, supply_c[hold], 20.0, 55.0, 55.0, 60.0, 60.0, hold)
            out_c = 20.0 + expected_rise_k(55.0, 20.0, flow, 0.5 * s.coil_ua_w_k)
            supply_c[hold] += 0.1 * (out_c - supply_c[hold])
        at[hold] = flow
    assert supply_c[True] == pytest.approx(s.supply_target_c, abs=0.5)
    assert supply_c[False] < s.supply_target_c - 1.0 and at[True] < at[False]
