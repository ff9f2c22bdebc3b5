"""The phases of a season as one free function: (phase, facts) -> (phase, cause).

Two phases are declared by the grower and outrank all others: ``drained`` (no water in the loop) and ``manual`` (a
hand-run, which ends by itself). All others follow from what the probes show.
"""

from __future__ import annotations

from dataclasses import dataclass

HOLD_OFF = "hold-off"
FIRST_DRAW = "first draw"
HARVEST = "harvest"
REST = "rest"
WINDING_DOWN = "winding down"
FAULTED = "faulted"
DRAINED = "drained"
MANUAL = "manual"
PHASES = (HOLD_OFF, FIRST_DRAW, HARVEST, REST, WINDING_DOWN, FAULTED, DRAINED, MANUAL)
DRAWING = (FIRST_DRAW, HARVEST)
DECLARED = (DRAINED, MANUAL)

DAY_S = 86400.0
FIRST_DRAW_S = 3 * DAY_S
SHORTEST_REST_S = 2 * 3600.0
SPENT_AFTER_S = 14 * DAY_S
RESUME_K = 1.5
SPENT_BELOW_K = -3.0


@dataclass(slots=True)
class Facts:
    """What the phases look at.

    ``blind``: no pile temperature from any probe. ``hot_s``: for how long the core has been at its starting
    temperature without a break. ``headroom_k``: how far the pessimistic core stands above the point where the draw
    ends. ``in_phase_s``: time since the phase began. ``drained``: the grower declared that the loop holds no water.
    ``by_hand``: a hand-run has time left. ``before``: the phase that a declared one interrupted.
    """

    blind: bool
    hot_s: float
    start_hold_s: float
    headroom_k: float
    in_phase_s: float
    drained: bool = False
    by_hand: bool = False
    before: str = HOLD_OFF


def next_phase(phase: str, f: Facts) -> tuple[str, str]:
    """Return the phase that follows and the cause in words; the same phase and "" when nothing changes."""
    if f.drained:
        return (phase, "") if phase == DRAINED else (DRAINED, "the grower declared that the loop holds no water")
    if f.by_hand:
        return (phase, "") if phase == MANUAL else (MANUAL, "the grower asked for a hand-run")
    if phase in DECLARED:
        return resumed(phase, f)
    if f.blind:
        return (FAULTED, "no pile probe gives a reading") if phase not in (FAULTED, HOLD_OFF) else (phase, "")
    return _ARROWS[phase](f) or (phase, "")


def resumed(phase: str, f: Facts) -> tuple[str, str]:
    """Return the phase that the facts call for once ``phase``, a declared one, has ended, and the cause.

    After a hand-run the interrupted draw goes on if the pile bears it. A loop that was filled anew holds cold water
    and rests first.
    """
    over = "the hand-run is over" if phase == MANUAL else "the grower declared that the loop is filled"
    if f.before == HOLD_OFF:
        return HOLD_OFF, f"{over}; the pile has not been drawn yet"
    if f.blind:
        return FAULTED, f"{over}; no pile probe gives a reading"
    if f.before == WINDING_DOWN:
        return WINDING_DOWN, f"{over}; the pile was ending before"
    if phase == MANUAL and f.before in DRAWING and f.headroom_k > 0.0:
        return f.before, f"{over}; the pile can still be drawn"
    return REST, f"{over}; the pile rests before the next draw"


def _from_hold_off(f: Facts) -> tuple[str, str] | None:
    return (FIRST_DRAW, "the core has been hot for long enough") if f.hot_s >= f.start_hold_s else None


def _from_first_draw(f: Facts) -> tuple[str, str] | None:
    if f.headroom_k <= 0.0:
        return REST, "the core came near its floor"
    if f.in_phase_s >= FIRST_DRAW_S:
        return HARVEST, "the pile bore its first draw"
    return None


def _from_harvest(f: Facts) -> tuple[str, str] | None:
    return (REST, "the core came near its floor") if f.headroom_k <= 0.0 else None


def _from_rest(f: Facts) -> tuple[str, str] | None:
    if f.headroom_k >= RESUME_K and f.in_phase_s >= SHORTEST_REST_S:
        return HARVEST, "the core has recovered"
    if f.in_phase_s >= SPENT_AFTER_S and f.headroom_k < SPENT_BELOW_K:
        return WINDING_DOWN, "two weeks of rest did not bring the core back"
    return None


def _from_winding_down(f: Facts) -> tuple[str, str] | None:
    ready = f.hot_s >= f.start_hold_s and f.headroom_k >= RESUME_K
    return (FIRST_DRAW, "the pile is hot again") if ready else None


def _from_faulted(f: Facts) -> tuple[str, str] | None:
    return REST, "a pile probe reads again"


_ARROWS = {
    HOLD_OFF: _from_hold_off,
    FIRST_DRAW: _from_first_draw,
    HARVEST: _from_harvest,
    REST: _from_rest,
    WINDING_DOWN: _from_winding_down,
    FAULTED: _from_faulted,
}
