"""One arrow of the state machine per row."""

from __future__ import annotations

from math import nan

import pytest
from helpers import START_S, reading, reborn
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from controller import Controller, ControllerSettings
from controller.alarms import CODES
from controller.phases import (
    DECLARED,
    DRAINED,
    DRAWING,
    FAULTED,
    FIRST_DRAW,
    FIRST_DRAW_S,
    HARVEST,
    HOLD_OFF,
    MANUAL,
    PHASES,
    REST,
    RESUME_K,
    SHORTEST_REST_S,
    SPENT_AFTER_S,
    WINDING_DOWN,
    Facts,
    next_phase,
)

DAY = 86400.0


def facts(
    blind: bool = False,
    hot_s: float = 0.0,
    hold_s: float = DAY,
    room_k: float = 5.0,
    in_phase_s: float = 0.0,
    drained: bool = False,
    by_hand: bool = False,
    before: str = HOLD_OFF,
) -> Facts:
    return Facts(blind, hot_s, hold_s, room_k, in_phase_s, drained, by_hand, before)


@pytest.mark.parametrize(
    ("phase", "seen", "then"),
    [
        (HOLD_OFF, facts(hot_s=DAY - 60.0), HOLD_OFF),
        (HOLD_OFF, facts(hot_s=DAY), FIRST_DRAW),
        (HOLD_OFF, facts(blind=True, hot_s=2 * DAY), HOLD_OFF),
        (FIRST_DRAW, facts(room_k=0.1, in_phase_s=DAY), FIRST_DRAW),
        (FIRST_DRAW, facts(room_k=0.0), REST),
        (FIRST_DRAW, facts(in_phase_s=FIRST_DRAW_S), HARVEST),
        (HARVEST, facts(room_k=0.1), HARVEST),
        (HARVEST, facts(room_k=-0.1), REST),
        (HARVEST, facts(blind=True), FAULTED),
        (REST, facts(room_k=RESUME_K), REST),  # not before the shortest rest is over
        (REST, facts(room_k=RESUME_K, in_phase_s=SHORTEST_REST_S), HARVEST),
        (REST, facts(room_k=RESUME_K - 0.1, in_phase_s=SHORTEST_REST_S), REST),
        (REST, facts(room_k=-5.0, in_phase_s=SPENT_AFTER_S), WINDING_DOWN),
        (REST, facts(room_k=-1.0, in_phase_s=SPENT_AFTER_S), REST),  # near enough to be still waited for
        (WINDING_DOWN, facts(hot_s=DAY, room_k=RESUME_K), FIRST_DRAW),
        (WINDING_DOWN, facts(hot_s=DAY, room_k=0.0), WINDING_DOWN),
        (WINDING_DOWN, facts(hot_s=0.0), WINDING_DOWN),
        (WINDING_DOWN, facts(blind=True), FAULTED),
        (FAULTED, facts(blind=True), FAULTED),
        (FAULTED, facts(room_k=9.0), REST),
        # declared: drained outranks a hand-run, and both outrank all else
        (HARVEST, facts(drained=True, blind=True), DRAINED),
        (MANUAL, facts(drained=True, by_hand=True), DRAINED),
        (DRAINED, facts(drained=True, by_hand=True, room_k=9.0, hot_s=DAY), DRAINED),
        (FAULTED, facts(by_hand=True, blind=True), MANUAL),
        (MANUAL, facts(by_hand=True, room_k=-9.0), MANUAL),
        (DRAINED, facts(by_hand=True), MANUAL),
        # over: what the facts call for
        (MANUAL, facts(before=HOLD_OFF, hot_s=9 * DAY), HOLD_OFF),
        (MANUAL, facts(before=HOLD_OFF, blind=True), HOLD_OFF),
        (MANUAL, facts(before=HARVEST, room_k=0.1), HARVEST),
        (MANUAL, facts(before=FIRST_DRAW, room_k=0.1), FIRST_DRAW),
        (MANUAL, facts(before=HARVEST, room_k=0.0), REST),
        (MANUAL, facts(before=HARVEST, blind=True), FAULTED),
        (MANUAL, facts(before=FAULTED), REST),
        (MANUAL, facts(before=WINDING_DOWN), WINDING_DOWN),
        (MANUAL, facts(before=REST, room_k=9.0), REST),
        (DRAINED, facts(before=HARVEST, room_k=9.0), REST),  # filled with cold water
        (DRAINED, facts(before=WINDING_DOWN), WINDING_DOWN),
        (DRAINED, facts(before=FAULTED, blind=True), FAULTED),
    ],
)
def test_arrow(phase: str, seen: Facts, then: str) -> None:
    new, cause = next_phase(phase, seen)
    assert new == then
    assert bool(cause) == (new != phase)


ANY_FACTS = st.builds(
    Facts,
    st.booleans(),
    st.floats(0, 1e7),
    st.floats(0, 1e7),
    st.floats(-60, 60),
    st.floats(0, 1e8),
    st.booleans(),
    st.booleans(),
    st.sampled_from(PHASES),
)


@given(st.sampled_from(PHASES), ANY_FACTS)
def test_no_draw_begins_without_headroom_or_sight(phase: str, f: Facts) -> None:
    new, cause = next_phase(phase, f)
    assert new in PHASES
    assert bool(cause) == (new != phase)
    if phase in DRAWING and (f.blind or f.headroom_k <= 0.0):
        assert new not in DRAWING
    if phase == REST and new == HARVEST:
        assert f.headroom_k >= RESUME_K
    if f.drained or f.by_hand:
        assert new == (DRAINED if f.drained else MANUAL)
    else:
        assert new not in DECLARED


def test_no_phase_is_a_dead_end_and_none_unreachable() -> None:
    corners = [
        facts(blind, hot_s, DAY, room_k, in_phase_s, drained, by_hand, before)
        for blind in (False, True)
        for hot_s in (0.0, DAY)
        for room_k in (-9.0, 5.0)
        for in_phase_s in (0.0, 1e8)
        for drained in (False, True)
        for by_hand in (False, True)
        for before in PHASES
    ]
    for start in PHASES:
        reached, new = set(), {start}
        while new:
            reached |= new
            new = {next_phase(phase, f)[0] for phase in new for f in corners} - reached
        assert reached == set(PHASES), f"from {start} there is no way to {set(PHASES) - reached}"


class Season(RuleBasedStateMachine):
    """Days with a hot, middling or cold core, or none visible, hand-runs and drained loops, in any order."""

    def __init__(self) -> None:
        super().__init__()
        self.phase, self.before, self.in_phase_s = HOLD_OFF, HOLD_OFF, 0.0
        self.hot_s, self.room_k, self.blind, self.drained = 0.0, -10.0, False, False
        self.ever_hot = False

    def _pass(self, seconds: float, by_hand: bool = False) -> None:
        self.in_phase_s += seconds
        seen = facts(self.blind, self.hot_s, DAY, self.room_k, self.in_phase_s, self.drained, by_hand, self.before)
        new, cause = next_phase(self.phase, seen)
        assert bool(cause) == (new != self.phase)
        if cause:
            self.before = self.before if self.phase in DECLARED else self.phase
            self.phase, self.in_phase_s = new, 0.0
        self.ever_hot = self.ever_hot or self.hot_s >= DAY

    @rule(hours=st.integers(1, 400), room_k=st.floats(-20, 20))
    def time_passes(self, hours: int, room_k: float) -> None:
        self.room_k, self.blind = room_k, False
        self.hot_s = self.hot_s + 3600.0 * hours if room_k > 0 else 0.0
        self._pass(3600.0 * hours)

    @rule()
    def probes_go_silent(self) -> None:
        self.blind = True
        self._pass(3600.0)

    @rule(drained=st.booleans())
    def the_grower_declares(self, drained: bool) -> None:
        self.drained = drained
        self._pass(60.0)

    @rule()
    def the_grower_takes_over_for_a_while(self) -> None:
        self._pass(60.0, by_hand=True)
        assert self.phase in DECLARED
        self._pass(60.0)

    @invariant()
    def draws_only_from_a_pile_seen_to_be_hot(self) -> None:
        if self.phase in DRAWING:
            assert self.ever_hot and not self.blind and self.room_k > 0.0
        assert (self.phase == DRAINED) is self.drained
        assert self.phase != MANUAL


TestSeason = Season.TestCase
TestSeason.settings = settings(max_examples=60, stateful_step_count=30, deadline=None)


class CutSeason(RuleBasedStateMachine):
    """A controller that is cut and restored at any tick beside one that is not: they must decide the same."""

    def __init__(self) -> None:
        super().__init__()
        given_settings = ControllerSettings(start_hold_s=3600.0)
        self.whole, self.cut = Controller(given_settings), Controller(given_settings)
        self.time_s, self.flow_kg_s, self.phase, self.cause = START_S, 0.0, HOLD_OFF, ""

    def _tick(self, wait_s: float, changes: dict[str, float]) -> None:
        self.time_s += wait_s
        m = reading(self.time_s, **({"water_flow_kg_s": self.flow_kg_s} | changes))
        one, two = self.whole.step(m), self.cut.step(m)
        assert repr(one) == repr(two)
        assert (one.phase != self.phase) <= (one.cause != self.cause)
        assert one.cause
        self.phase, self.cause = one.phase, one.cause
        self.flow_kg_s = 0.06 if one.commands.pump_duty > 0.0 else 0.0

    @rule(
        ticks=st.integers(1, 40),
        wait_s=st.sampled_from([1.0, 2.0, 10.0, 60.0, 3600.0]),
        core_c=st.sampled_from([62.0, 55.0, 44.0, nan]),
        house_c=st.sampled_from([4.0, 6.9, 9.0, nan]),
        outdoor_c=st.sampled_from([5.0, -9.0]),
        volts=st.sampled_from([12.8, 11.8, 11.0]),
        supply_c=st.sampled_from([15.0, 40.0, 55.0]),
    )
    def time_passes(
        self,
        ticks: int,
        wait_s: float,
        core_c: float,
        house_c: float,
        outdoor_c: float,
        volts: float,
        supply_c: float,
    ) -> None:
        changes = {"pile_core_c": core_c, "pile_edge_c": core_c - 15.0, "greenhouse_c": house_c}
        changes |= {"outdoor_c": outdoor_c, "pump_battery_v": volts, "water_supply_c": supply_c}
        for _ in range(ticks):
            self._tick(wait_s, changes)

    @rule()
    def it_is_cut_and_restored(self) -> None:
        self.cut = reborn(self.cut, ControllerSettings(start_hold_s=3600.0))

    @rule(pump=st.floats(0, 1), fan=st.floats(0, 1), for_s=st.floats(1, 1800))
    def a_hand_run(self, pump: float, fan: float, for_s: float) -> None:
        for controller in (self.whole, self.cut):
            controller.hand_run(0.0 if controller.drained else pump, fan, for_s)

    @rule(drained=st.booleans())
    def the_loop_is_declared(self, drained: bool) -> None:
        for controller in (self.whole, self.cut):
            (controller.declare_drained if drained else controller.declare_filled)()

    @rule(code=st.sampled_from(CODES))
    def an_alarm_is_acknowledged(self, code: str) -> None:
        assert self.whole.acknowledge(code) == self.cut.acknowledge(code)


TestCutSeason = CutSeason.TestCase
TestCutSeason.settings = settings(max_examples=40, stateful_step_count=20, deadline=None)
