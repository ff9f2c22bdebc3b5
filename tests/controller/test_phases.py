"""One arrow of the state machine per row."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from controller.phases import (
    DRAWING,
    FAULTED,
    FIRST_DRAW,
    FIRST_DRAW_S,
    HARVEST,
    HOLD_OFF,
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
    blind: bool = False, hot_s: float = 0.0, hold_s: float = DAY, room_k: float = 5.0, in_phase_s: float = 0.0
) -> Facts:
    return Facts(blind, hot_s, hold_s, room_k, in_phase_s)


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
    ],
)
def test_arrow(phase: str, seen: Facts, then: str) -> None:
    new, cause = next_phase(phase, seen)
    assert new == then
    assert bool(cause) == (new != phase)


@given(
    st.sampled_from(PHASES), st.booleans(), st.floats(0, 1e7), st.floats(0, 1e7), st.floats(-60, 60), st.floats(0, 1e8)
)
def test_no_draw_begins_without_headroom_or_sight(
    phase: str, blind: bool, hot_s: float, hold_s: float, room_k: float, in_phase_s: float
) -> None:
    new, _ = next_phase(phase, Facts(blind, hot_s, hold_s, room_k, in_phase_s))
    assert new in PHASES
    if phase in DRAWING and (blind or room_k <= 0.0):
        assert new not in DRAWING
    if phase == REST and new == HARVEST:
        assert room_k >= RESUME_K


class Season(RuleBasedStateMachine):
    """Days with a hot, middling or cold core, or none visible, in any order."""

    def __init__(self) -> None:
        super().__init__()
        self.phase, self.in_phase_s, self.hot_s, self.room_k, self.blind = HOLD_OFF, 0.0, 0.0, -10.0, False
        self.ever_hot = False

    def _pass(self, seconds: float) -> None:
        self.in_phase_s += seconds
        self.phase, cause = next_phase(self.phase, Facts(self.blind, self.hot_s, DAY, self.room_k, self.in_phase_s))
        self.in_phase_s = 0.0 if cause else self.in_phase_s
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

    @invariant()
    def draws_only_from_a_pile_seen_to_be_hot(self) -> None:
        if self.phase in DRAWING:
            assert self.ever_hot and not self.blind and self.room_k > 0.0


TestSeason = Season.TestCase
TestSeason.settings = settings(max_examples=60, stateful_step_count=30, deadline=None)
