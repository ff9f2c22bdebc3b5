"""Core and supply temperature of the last day as inline SVG: curves told apart by dash and label, not by colour alone."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping, Sequence

from markupsafe import Markup, escape

from .past import SLOT_S
from .show import Units

WIDTH, HEIGHT = 360.0, 210.0
LEFT, RIGHT, TOP, BOTTOM = 34.0, 352.0, 24.0, 186.0
DAY_S = 86400.0
NAMES = {"pile_core_c": ("core", "Core"), "water_supply_c": ("supply", "Supply")}

Place = Callable[[tuple[float, float]], tuple[float, float]]
Points = Sequence[tuple[float, float]]


def day(curves: Mapping[str, Points], units: Units) -> Markup:
    """The picture; empty when there is nothing to show."""
    shown = {name: [(t, units.degrees(c)) for t, c in points] for name, points in curves.items() if points}
    if not shown:
        return Markup("")
    end_s = max(points[-1][0] for points in shown.values())
    low, high, step = _scale([v for points in shown.values() for _, v in points])

    def at(point: tuple[float, float]) -> tuple[float, float]:
        x = RIGHT - (end_s - point[0]) / DAY_S * (RIGHT - LEFT)
        return x, BOTTOM - (point[1] - low) / (high - low) * (BOTTOM - TOP)

    parts = [*_rules(low, high, step, at, end_s), *_hours(end_s, at)]
    for name, points in shown.items():
        parts.append(_curve(NAMES[name][0], [[at(p) for p in piece] for piece in _pieces(points)]))
    parts += _legend(shown, units)
    title = escape("The last 24 hours: " + "; ".join(words(name, points, units) for name, points in shown.items()))
    return Markup(  # noqa: S704 - made of numbers, and escaped words
        f'<svg class="picture" viewBox="0 0 {WIDTH:.0f} {HEIGHT:.0f}" role="img" aria-label="{title}">'
        f"{''.join(parts)}</svg>"
    )


def words(name: str, points: Points, units: Units) -> str:
    """A curve in words, its values already in the user's units."""
    values = [v for _, v in points]
    return f"{NAMES[name][1]} between {min(values):.1f} and {max(values):.1f} {units.degree}, now {values[-1]:.1f}"


def _scale(values: Sequence[float]) -> tuple[float, float, float]:
    low, high = min(values), max(values)
    step = next(s for s in (2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 1000.0, 1e9) if high - low <= 4.0 * s)
    low = math.floor(low / step) * step
    return low, max(low + step, math.ceil(high / step) * step), step


def _pieces(points: Points) -> list[list[tuple[float, float]]]:
    """Cut where readings are missing."""
    pieces: list[list[tuple[float, float]]] = []
    for point in points:
        if not pieces or point[0] - pieces[-1][-1][0] > 2.5 * SLOT_S:
            pieces.append([])
        pieces[-1].append(point)
    return pieces


def _curve(name: str, pieces: Sequence[Points]) -> str:
    path = "".join(
        "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in piece) + ("h.1" if len(piece) == 1 else "") for piece in pieces
    )
    return f'<path class="curve {name}" d="{path}"/>'


def _rules(low: float, high: float, step: float, at: Place, end_s: float) -> list[str]:
    found = []
    for n in range(round((high - low) / step) + 1):
        value = low + n * step
        y = at((end_s, value))[1]
        found.append(f'<path class="rule" d="M{LEFT} {y:.1f}H{RIGHT}"/>')
        found.append(f'<text class="end" x="{LEFT - 5}" y="{y + 4:.1f}">{value:g}</text>')
    return found


def _hours(end_s: float, at: Place) -> list[str]:
    """Every sixth hour of the board's clock."""
    found = []
    first = int((end_s - DAY_S) // 3600 + 1) * 3600
    for moment_s in range(first, int(end_s) + 1, 3600):
        hour = time.localtime(moment_s).tm_hour
        x = at((float(moment_s), 0.0))[0]
        if hour % 6 == 0 and LEFT + 8 <= x <= RIGHT - 12:
            found.append(f'<path class="rule" d="M{x:.1f} {BOTTOM}v4"/>')
            found.append(f'<text class="mid" x="{x:.1f}" y="{BOTTOM + 17}">{hour:02d}:00</text>')
    return found


def _legend(shown: Mapping[str, Points], units: Units) -> list[str]:
    found, x = [f'<text class="end" x="{LEFT - 5}" y="13">{units.degree}</text>'], LEFT
    for name in shown:
        kind, word = NAMES[name]
        found.append(f'<path class="curve {kind}" d="M{x} 8h26"/><text x="{x + 32}" y="13">{word}</text>')
        x += 100.0
    return found
