"""Pulses against frost: only when needed, as few as needed, never blocked."""

from __future__ import annotations

from math import nan

import pytest

from controller.frost import (
    BELIEVED_S,
    COLDER_K,
    DOUBTED_WAIT_S,
    DRY_PATIENCE,
    DRY_PULSE_S,
    DRY_TRY_S,
    DRY_WAIT_S,
    FIRST_WAIT_S,
    ICE_K_S,
    LONGEST_PULSE_S,
    LONGEST_WAIT_S,
    PULSE_S,
    SETTLED_S,
    SHORTEST_WAIT_S,
    SPARING,
    FrostGuard,
    frost_threat,
    next_wait_s,
    shortest_wait_s,
)
from controller.water_noise import WaterNoise


@pytest.mark.parametrize(
    ("outdoor_c", "return_c", "supply_c", "threat"),
    [
        (0.9, 20.0, 20.0, True),
        (1.1, 2.0, 2.0, False),
        (nan, 2.9, 20.0, True),
        (nan, nan, 2.9, True),
        (nan, 3.1, 20.0, False),
        (nan, nan, nan, False),
    ],
)
def test_threat(outdoor_c: float, return_c: float, supply_c: float, threat: bool) -> None:
    assert frost_threat(outdoor_c, return_c, supply_c) is threat


@pytest.mark.parametrize(
    ("wait_s", "coldest_c", "outdoor_c", "then_s"),
    [
        (1000.0, 9.0, -20.0, 1600.0),
        (1000.0, 2.5, -20.0, 1200.0),
        (1000.0, 1.5, -20.0, 1000.0),
        (1000.0, 0.5, -20.0, 700.0),
        (5000.0, -3.0, -20.0, 2500.0),
        (1000.0, 0.1, -20.0, SHORTEST_WAIT_S),
        (20000.0, 9.0, -20.0, LONGEST_WAIT_S),
        (1000.0, 0.1, -5.0, ICE_K_S / 5.0),
        (1000.0, 0.1, -0.5, DOUBTED_WAIT_S),
        (21600.0, 0.7, -10.0, 15120.0),
        (21600.0, 0.6, -10.0, 5040.0),  # near freezing: no more than two hours hold from before
        (21600.0, 0.1, -10.0, 3600.0),
        (1000.0, 0.1, nan, SHORTEST_WAIT_S),
        (1000.0, nan, 0.0, FIRST_WAIT_S),
        (1000.0, nan, -15.0, FIRST_WAIT_S / 4.0),
        (1000.0, nan, -60.0, SHORTEST_WAIT_S),
        (1000.0, nan, nan, FIRST_WAIT_S / 2.0),
    ],
)
def test_wait(wait_s: float, coldest_c: float, outdoor_c: float, then_s: float) -> None:
    assert next_wait_s(wait_s, coldest_c, outdoor_c) == pytest.approx(then_s)


@pytest.mark.parametrize(
    ("outdoor_c", "spares", "stands_s"),
    [
        (-10.0, False, ICE_K_S / 10.0),
        (-10.0, True, SPARING * ICE_K_S / 10.0),
        (-2.0, True, DOUBTED_WAIT_S),
        (nan, True, SHORTEST_WAIT_S),
    ],
    ids=["usual", "sparing", "light frost", "unknown"],
)
def test_a_pile_with_nothing_to_spare_is_pulsed_less_often(outdoor_c: float, spares: bool, stands_s: float) -> None:
    assert shortest_wait_s(outdoor_c, spares) == pytest.approx(stands_s)
    assert next_wait_s(100.0, 0.1, outdoor_c, spares) == pytest.approx(stands_s)


@pytest.mark.parametrize("probe_c", [0.0, 5.0], ids=["by what stands", "by what comes back"])
def test_its_line_waits_longer(probe_c: float) -> None:
    nights = [Night(outdoor_c=-10.0, probe_c=probe_c, line_c=0.0) for _ in range(2)]
    for night, spares in zip(nights, (False, True), strict=True):
        night.spares = spares
    usual, sparing = (night.hours(24.0, dt_s=10.0) for night in nights)
    assert usual > 1.4 * sparing > 0


class Night:
    """A frosty night with a line whose probes stand at ``probe_c`` and whose water returns at ``line_c``."""

    def __init__(self, outdoor_c: float = -5.0, probe_c: float = 10.0, line_c: float = 10.0) -> None:
        self.noise = WaterNoise()
        self.guard = FrostGuard(0.02, self.noise)
        self.outdoor_c, self.probe_c, self.line_c = outdoor_c, probe_c, line_c
        self.supply_c: float | None = None  # as the other probe
        self.spares = False
        self.pumped, self.pulses = False, 0
        self.affords, self.flow_kg_s = False, 0.05

    def hours(self, hours: float, dt_s: float = 20.0) -> int:
        """Let time pass and return how many pulses began."""
        before = self.pulses
        for _ in range(round(hours * 3600.0 / dt_s)):
            return_c = self.line_c if self.pumped else self.probe_c
            flow = self.flow_kg_s if self.pumped else 0.0
            supply_c = self.probe_c if self.supply_c is None else self.supply_c
            self.noise.update(return_c, supply_c, flow, dt_s)
            due = self.guard.due(self.outdoor_c, return_c, supply_c, flow, dt_s, self.affords, self.spares)
            self.pulses += due and not self.pumped
            self.pumped = due
        return self.pulses - before


def test_the_first_frost_is_looked_into_once_and_then_the_probes_are_believed() -> None:
    night = Night()
    assert night.hours(1.5) == 1
    assert night.hours(24.0) == 0


def test_the_tenth_of_ice_in_a_bare_pipe_by_hand() -> None:
    """0.53 kg/m in 32 mm pipe, 25 W/m2 K in wind (from memory): 334 kJ/kg * 0.1 * 0.53 kg / (25 * pi * 0.032 W/K)."""
    assert pytest.approx(334e3 * 0.1 * 0.53 / (25.0 * 3.1416 * 0.032), rel=0.02) == ICE_K_S


@pytest.mark.parametrize(("back_c", "moved_kg", "ends"), [(0.61, 5.0, True), (0.6, 5.0, False), (0.6, 20.0, True)])
def test_a_pulse_that_brings_water_of_half_a_degree_moves_the_whole_line(
    back_c: float, moved_kg: float, ends: bool
) -> None:
    """A quarter of 20 kg else."""
    guard = FrostGuard(0.02, WaterNoise())
    guard.moved_kg = moved_kg
    assert guard._moved_enough(back_c) is ends


def test_a_pulse_of_freezing_water_can_move_the_whole_line() -> None:
    guard = FrostGuard(0.03, WaterNoise())
    assert guard.pulse_kg_s == 0.0
    guard.pulsing = True
    guard.due(-5.0, 0.5, 5.0, 0.05, 10.0)
    assert guard.pulse_kg_s * PULSE_S == pytest.approx(30.0)


@pytest.mark.parametrize(("affords", "pulses"), [(True, 2), (False, 0)])
def test_a_line_that_stands_for_most_of_a_day_is_tried_if_the_pile_affords_it(affords: bool, pulses: int) -> None:
    """Its middle may freeze between warm ends: 40 h hold two trials."""
    night = Night()
    night.hours(1.5)
    night.affords = affords
    assert night.hours(40.0) == pulses


def test_a_trial_that_moves_nothing_is_repeated_until_something_moves() -> None:
    night = Night()
    night.hours(1.5)
    night.affords, night.flow_kg_s = True, 0.0
    assert night.hours(18.0) == 1 and night.guard.dry == 1.0
    night.affords = False
    assert night.hours(8.0) >= DRY_PATIENCE
    night.flow_kg_s = 0.05
    night.hours(1.0)
    assert night.guard.dry == 0.0 and night.hours(12.0) == 0


def test_a_line_colder_than_its_probes_is_served_by_what_the_pulse_showed() -> None:
    night = Night(probe_c=8.0, line_c=2.0)
    night.hours(1.5)
    assert night.guard.gap_k == pytest.approx(6.0)
    assert night.hours(6.0) == 0  # 8 degC at the probe is 2 degC in the line
    night.probe_c = 6.4
    assert night.hours(6.0) == 1  # 6.4 would be 0.4; the pulse shows it is still 2


def test_a_pulse_through_a_line_that_stood_long_vouches_for_it_until_the_air_is_colder_by_what_it_showed() -> None:
    night = Night(outdoor_c=1.2, probe_c=3.0, line_c=3.0)
    night.hours(SETTLED_S / 3600.0 + 1.0)
    night.outdoor_c = 0.9
    night.hours(12.0)  # the first frost finds 3 degC after a long rest
    night.outdoor_c, night.probe_c = -1.0, 0.8
    assert night.guard.shown_c == 3.0 and night.hours(24.0) == 0
    night.outdoor_c = -6.0
    assert night.hours(24.0) > 0


def test_nothing_vouches_against_a_probe_that_stands_at_freezing() -> None:
    """Flood water or a bared pipe takes more than the air does."""
    night = Night(outdoor_c=1.2, probe_c=3.0, line_c=3.0)
    night.hours(SETTLED_S / 3600.0 + 1.0)
    night.outdoor_c = 0.9
    night.hours(12.0)
    night.outdoor_c, night.probe_c = 0.0, 0.2
    assert night.guard.shown_c == 3.0 and night.hours(6.0) > 0


def test_a_line_that_has_just_been_warm_vouches_for_nothing() -> None:
    night = Night(probe_c=12.0, line_c=12.0)
    night.hours(2.0)
    assert night.guard.shown_c != night.guard.shown_c
    night.probe_c = night.line_c = 0.3
    assert night.hours(6.0) > 0


def test_pulses_grow_rarer_as_the_water_comes_back_warm() -> None:
    cold, mild = Night(probe_c=1.0, line_c=0.2), Night(probe_c=1.0, line_c=5.0)
    assert cold.hours(24.0) > 2 * mild.hours(24.0) > 0


def test_it_is_looked_into_again_when_much_colder_or_after_days() -> None:
    night = Night()
    night.hours(2.0)
    night.outdoor_c -= COLDER_K + 0.1
    assert night.hours(7.0) == 1
    night.guard.learnt_s = BELIEVED_S
    assert night.hours(7.0) == 1


def test_a_probe_that_shows_freezing_water_overrides_the_learnt_wait() -> None:
    """Pipes laid bare lose in minutes what the learnt wait allows hours for."""
    night = Night(probe_c=1.0, line_c=5.0)
    night.hours(12.0)
    assert night.guard.wait_s > 2 * SHORTEST_WAIT_S
    night.probe_c = 0.0
    assert night.hours(6.0, dt_s=10.0) > 12


def test_while_freezing_water_comes_back_the_whole_line_is_moved() -> None:
    cold, mild = FrostGuard(0.02, WaterNoise()), FrostGuard(0.02, WaterNoise())
    for guard, back_c in ((cold, 0.3), (mild, 2.0)):
        guard.pulsing = True
        while guard.due(-15.0, back_c, 30.0, 0.1, 1.0):
            assert guard.pulse_left_s(0.1) > 0.0
    assert mild.coldest_c == 2.0 and mild.pulse_s == pytest.approx(50.0, abs=2.0)
    assert cold.coldest_c == 0.3 and cold.pulse_s == pytest.approx(200.0, abs=2.0)


def test_no_frost_no_pulse() -> None:
    assert Night(outdoor_c=3.0, probe_c=1.0, line_c=1.0).hours(48.0) == 0


def test_a_pulse_ends_when_enough_has_moved_or_after_its_longest_time() -> None:
    night = Night()
    night.hours(1.2)
    assert 5.0 <= night.guard.moved_kg <= 7.0 or not night.guard.pulsing
    stuck = FrostGuard(0.02, WaterNoise())
    on = sum(stuck.due(-5.0, 1.0, 1.0, 0.0, 20.0) for _ in range(int(7200 / 20)))
    assert 0 < on * 20.0 <= 3 * (LONGEST_PULSE_S + 20.0)


def test_pulses_that_move_nothing_become_short_and_rare_until_water_moves_again() -> None:
    """Twenty hours at -15 degC with a dry line: less than half an hour of pumping, and never given up."""
    guard, on, starts, was = FrostGuard(0.02, WaterNoise()), [], [], False
    for k in range(20 * 360):
        due = guard.due(-15.0, 0.3, 0.3, 0.0, 10.0)
        on.append(due)
        starts += [10.0 * k] * (due and not was)
        was = due
    assert 15.0 * 60.0 < 10.0 * sum(on) < 30.0 * 60.0
    assert max(b - a for a, b in zip(starts, starts[1:], strict=False)) <= FIRST_WAIT_S
    early = sum(on[: round(starts[int(DRY_PATIENCE)] / 10.0)])
    assert 10.0 * early == pytest.approx(DRY_PATIENCE * DRY_PULSE_S, abs=60.0)
    assert starts[-1] - starts[-2] == pytest.approx(DRY_WAIT_S + DRY_TRY_S, abs=30.0)
    while not guard.due(-15.0, 0.3, 0.3, 0.0, 10.0):
        pass
    for _ in range(3):
        assert guard.due(-15.0, 0.3, 0.3, 0.09, 10.0)
    assert guard.dry == 0.0


@pytest.mark.parametrize(
    ("flow_kg_s", "lasts_s"),
    [(0.0, 90.0), (0.003, 90.0), (0.0049, 90.0), (0.0055, 600.0)],
    ids=["dry", "past a block", "less than the smallest pump", "a slow pump"],
)
def test_how_long_a_pulse_of_freezing_water_may_take(flow_kg_s: float, lasts_s: float) -> None:
    """A pump bears a trickle no better than nothing."""
    guard = FrostGuard(0.02, WaterNoise())
    while not guard.due(-15.0, 0.3, 0.3, 0.0, 10.0):
        pass
    on_s = 0.0
    while guard.due(-15.0, 0.3, 0.3, flow_kg_s, 10.0):
        on_s += 10.0
    assert on_s + 10.0 == pytest.approx(lasts_s, abs=10.0)


def test_a_normal_draw_counts_as_circulation() -> None:
    guard = FrostGuard(0.02, WaterNoise())
    for _ in range(600):
        assert not guard.due(-5.0, 20.0, 40.0, 0.06, 20.0)


def test_the_cost_is_kept() -> None:
    guard = FrostGuard(0.02, WaterNoise())
    guard.pulsing = True
    for _ in range(3 * 1440):
        guard.book(400.0, 60.0)
    assert guard.heat_day_w == pytest.approx(400.0, rel=0.06)
    assert guard.pulse_left_s(0.0) == 5.0
    assert guard.pulse_left_s(0.05) == pytest.approx(5.0 / 0.05)
