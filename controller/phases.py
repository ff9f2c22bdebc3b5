"""The phases of a season as one free function: (phase, facts) -> (phase, cause)."""

from __future__ import annotations

from dataclasses import dataclass

HOLD_OFF = "hold-off"
FIRST_DRAW = "first draw"
HARVEST = "harvest"
REST = "rest"
WINDING_DOWN = "winding down"
FAULTED = "faulted"
PHASES = (HOLD_OFF, FIRST_DRAW, HARVEST, REST, WINDING_DOWN, FAULTED)
DRAWING = (FIRST_DRAW, HARVEST)

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
    ends. ``in_phase_s``: time since the phase began.
    """

    blind: bool
    hot_s: float
    start_hold_s: float
    headroom_k: float
    in_phase_s: float


def next_phase(phase: str, f: Facts) -> tuple[str, str]:
    """Return the phase that follows and the cause in words; the same phase and "" when nothing changes."""
    if f.blind:
        return (FAULTED, "no pile probe gives a reading") if phase not in (FAULTED, HOLD_OFF) else (phase, "")
    return _ARROWS[phase](f) or (phase, "")


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
