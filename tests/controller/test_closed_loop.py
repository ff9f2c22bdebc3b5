"""The controller on a tiny plant that is not the project's simulator: does the pile live, does the house get heat?"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from tiny_plant import TinyPlant

from controller import Controller, ControllerSettings, Decision
from controller.guards import TOO_HOT_LONGEST_S

FLOOR_C = 45.0
TWIN_ALIVE_C = 48.0
DAY_S = 86400.0
LEAST_HARVEST = 0.02  # of the heat made: a pile saved by never drawing would prove nothing


class Season:
    """A season in closed loop beside a twin that is never drawn."""

    def __init__(self, plant: TinyPlant, days: float, tick_s: float | None = None, **settings: float) -> None:
        self.plant, self.twin = plant, replace(plant)
        self.controller = Controller(
            ControllerSettings(pile_wet_mass_kg=plant.mass_kg, start_hold_s=3600.0, **settings)
        )
        self.blamed_s = 0.0
        self.starts = 0
        drawn_by_day, made_by_day = [0.0], [0.0]
        while plant.elapsed_s < days * DAY_S:
            before = plant.commands.pump_duty
            d = self.controller.step(plant.measure())
            plant.commands = d.commands
            self.starts += before == 0.0 < d.commands.pump_duty
            wait_s = tick_s or d.next_s
            plant.advance(wait_s)
            self.twin.advance(wait_s)
            if plant.elapsed_s // DAY_S > len(drawn_by_day) - 1:
                drawn_by_day.append(plant.drawn_j)
                made_by_day.append(plant.made_j)
            drawn, made = plant.drawn_j - drawn_by_day[-2:][0], plant.made_j - made_by_day[-2:][0]
            if plant.core_c < FLOOR_C and (self.twin.core_c >= TWIN_ALIVE_C or drawn > 0.05 * made):
                self.blamed_s += wait_s


PILES: dict[str, dict[str, Any]] = {
    "as designed": {},
    "half the heat": {"vigour": 0.5},
    "half as much heat again": {"vigour": 1.5},
    "small": {"mass_kg": 3600.0},
    "big and weak": {"mass_kg": 18000.0, "vigour": 0.7},
    "probe reads 5 K high": {"probe_offset_k": 5.0},
    "probe reads 7 K low": {"probe_offset_k": -7.0},
    "probe far out": {"probe_outward": 0.6},
    "slow probe": {"probe_lag_s": 7200.0},
    "a coil twice as good": {"coil_ua_w_k": 500.0},
    "a pump that starts late": {"pump_start_duty": 0.4, "pump_idle_duty": 0.25},
}


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(PILES))
def test_the_draw_never_chills_the_pile(name: str) -> None:
    season = Season(TinyPlant(**PILES[name]), days=21, tick_s=60.0)
    assert season.blamed_s == 0.0
    assert season.plant.drawn_j > LEAST_HARVEST * season.plant.made_j


@pytest.mark.parametrize(
    "missing",
    [
        ("pile_core_c",),
        ("water_flow_kg_s", "water_return_c"),
        ("pile_edge_c", "greenhouse_c", "outdoor_c", "air_supply_c"),
    ],
)
def test_nor_with_sensors_missing(missing: tuple[str, ...]) -> None:
    season = Season(TinyPlant(missing=missing), days=15, tick_s=60.0)
    assert season.blamed_s == 0.0
    assert season.plant.drawn_j > LEAST_HARVEST * season.plant.made_j


def test_the_pump_does_not_short_cycle() -> None:
    season = Season(TinyPlant(), days=10)
    assert 1 <= season.starts <= 10 * 24 * 2


def test_a_fixed_tick_does_about_the_same() -> None:
    """The controller's own ticks and one of 20 s: the heat drawn agrees within a tenth.

    Not with longer ones: the hot slug that each start brings then counts longer than it lasts, and is bounded sooner.
    """
    own, fixed = Season(TinyPlant(), days=10), Season(TinyPlant(), days=10, tick_s=20.0)
    assert fixed.plant.drawn_j == pytest.approx(own.plant.drawn_j, rel=0.1)


def test_a_warm_house_is_left_alone() -> None:
    season = Season(TinyPlant(outdoor_mean_c=25.0), days=6, tick_s=60.0)
    assert season.starts == 0


def test_a_pile_that_is_never_hot_is_never_drawn() -> None:
    cold = TinyPlant(core_c=25.0, skin_c=25.0, outer_c=20.0, probe_c=25.0, vigour=0.2, outdoor_mean_c=12.0)
    season = Season(cold, days=6, tick_s=60.0)
    assert season.controller.phase == "hold-off"
    assert season.plant.drawn_j == 0.0


def told(plant: TinyPlant, days: float) -> list[Decision]:
    """Every decision of some days in closed loop."""
    controller = Controller(ControllerSettings(start_hold_s=3600.0, pile_wet_mass_kg=plant.mass_kg))
    decisions = []
    while plant.elapsed_s < days * DAY_S:
        decisions.append(controller.step(plant.measure()))
        plant.commands = decisions[-1].commands
        plant.advance(decisions[-1].next_s)
    return decisions


def test_every_stop_of_four_days_has_its_sentence() -> None:
    """ "Why did it stop drawing at 3 a.m.?": the decision that stops the pump says why, with a number or a remedy."""
    decisions = told(TinyPlant(outdoor_mean_c=-4.0, vigour=0.6), days=4)
    stops = [
        b for a, b in zip(decisions, decisions[1:], strict=False) if a.commands.pump_duty > b.commands.pump_duty == 0
    ]
    assert len(stops) >= 3
    for d in stops:
        assert d.reason.split(" ")[0].rstrip(":") in {"Waiting", "Pausing", "Resting", "Stopped"}
        assert any(c.isdigit() for c in d.reason)


def test_every_change_of_phase_comes_with_a_new_cause() -> None:
    decisions = told(TinyPlant(outdoor_mean_c=-6.0, vigour=0.4), days=8)
    changes = [(a, b) for a, b in zip(decisions, decisions[1:], strict=False) if a.phase != b.phase]
    assert len({b.phase for _, b in changes}) >= 2
    assert all(a.cause != b.cause for a, b in changes)


def test_water_above_the_scald_limit_flows_for_minutes_only() -> None:
    """A big pile at 66 degC with far more coil than the settings say, in a house that always wants more: flow does not cool
    the water in time, and still it never runs longer than the guard allows."""
    hot_c = dict.fromkeys(("core_c", "skin_c", "probe_c", "supply_c"), 66.0)
    plant = TinyPlant(mass_kg=30000.0, outdoor_mean_c=-8.0, coil_ua_w_k=5000.0, **hot_c)
    controller = Controller(ControllerSettings(start_hold_s=3600.0, greenhouse_min_c=22.0))
    hot_s, longest_s, on_s = 0.0, 0.0, 0.0
    while plant.elapsed_s < 4 * DAY_S:
        d = controller.step(plant.measure())
        plant.commands = d.commands
        before_s = plant.elapsed_s
        plant.advance(d.next_s)
        on_s += plant.elapsed_s - before_s if plant.turning else 0.0
        hot = plant.turning and plant.supply_c > 49.3
        hot_s = hot_s + plant.elapsed_s - before_s if hot else 0.0 if not plant.turning else hot_s
        longest_s = max(longest_s, hot_s)
    assert on_s > 3600.0
    assert 300.0 < longest_s <= TOO_HOT_LONGEST_S + 120.0


@pytest.mark.parametrize("missing", [(), ("water_flow_kg_s",)])
def test_a_pump_that_dies_is_noticed_with_and_without_a_meter(missing: tuple[str, ...]) -> None:
    plant = TinyPlant(outdoor_mean_c=-6.0, missing=missing)
    controller = Controller(ControllerSettings(start_hold_s=3600.0))
    codes: set[str] = set()
    while plant.elapsed_s < 5 * DAY_S:
        if plant.elapsed_s > 3 * DAY_S:
            plant.pump_start_duty = 2.0  # never breaks loose again
        d = controller.step(plant.measure())
        plant.commands = d.commands
        codes |= {a.code for a in d.alarms} if plant.elapsed_s > 3 * DAY_S else set()
        plant.advance(d.next_s)
    assert ("no-heat" if missing else "no-flow") in codes
