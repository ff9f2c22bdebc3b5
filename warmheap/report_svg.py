"""Pictures as inline SVG. Colours come from the page's style, so that they follow light, dark and paper."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from html import escape
from math import ceil, floor, isfinite, log10

WIDTH, LEFT, RIGHT, TOP, BOTTOM = 720.0, 46.0, 8.0, 22.0, 24.0
Points = Sequence[float | None]


@dataclass(slots=True)
class Frame:
    """Axes: x is a day's number from 0 to ``days``, y from ``low`` to ``high``."""

    days: int
    low: float
    high: float
    height: int = 190
    unit: str = ""
    step: float = 0.0

    def x(self, day: float) -> float:
        """Across."""
        return LEFT + (WIDTH - LEFT - RIGHT) * day / max(self.days, 1)

    def y(self, value: float) -> float:
        """Down."""
        span = (self.high - self.low) or 1.0
        return TOP + (self.height - TOP - BOTTOM) * (1.0 - (value - self.low) / span)


def round_step(span: float, most: int = 5) -> float:
    """A round step that divides ``span`` into ``most`` parts at most."""
    raw = span / most if span > 0.0 else 1.0
    ten = 10.0 ** floor(log10(raw))
    return next(m * ten for m in (1.0, 2.0, 5.0, 10.0) if m * ten >= raw * 0.999)


def frame_for(days: int, values: Sequence[float | None], unit: str, zero: bool = False, height: int = 190) -> Frame:
    """A frame that holds all ``values``, on round numbers."""
    known = [v for v in values if v is not None and isfinite(v)] or [0.0, 1.0]
    low, high = (min(0.0, *known), max(0.0, *known)) if zero else (min(known), max(known))
    step = round_step((high - low) or 1.0)
    return Frame(days, floor(low / step) * step, max(ceil(high / step), floor(low / step) + 1) * step, height, unit)


def axes(frame: Frame, dates: Sequence[date]) -> str:
    """Grid, numbers and dates."""
    step, parts, value = frame.step or round_step(frame.high - frame.low), [], frame.low
    while value <= frame.high + step / 1e6:
        y = frame.y(value)
        parts.append(f'<line class="grid" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>')
        parts.append(f'<text class="tick" x="{LEFT - 5}" y="{y + 4:.1f}" text-anchor="end">{value:g}</text>')
        value = round(value + step, 9)
    every = max(1, ceil(len(dates) / 7))
    for k in range(0, len(dates), every):
        text = f"{dates[k].day} {dates[k]:%b}"
        parts.append(
            f'<text class="tick" x="{frame.x(k + 0.5):.1f}" y="{frame.height - 6}" text-anchor="middle">{text}</text>'
        )
    parts.append(f'<text class="tick" x="2" y="11">{escape(frame.unit)}</text>')
    return "".join(parts)


def line(frame: Frame, values: Points, name: str) -> str:
    """A line through the middle of each day, broken where nothing is known."""
    path, pen = [], "M"
    for k, value in enumerate(values):
        if value is None or not isfinite(value):
            pen = "M"
            continue
        path.append(f"{pen}{frame.x(k + 0.5):.1f},{frame.y(value):.1f}")
        pen = "L"
    return f'<path class="line {name}" d="{"".join(path)}"/>' if path else ""


def band(frame: Frame, low: Points, high: Points, name: str) -> str:
    """The range of each day, as one bar a day: no gap is bridged."""
    bars = []
    for k, (a, b) in enumerate(zip(low, high, strict=True)):
        if a is not None and b is not None:
            y, tall = frame.y(b), max(frame.y(a) - frame.y(b), 0.8)
            bars.append(f'<rect x="{frame.x(k):.1f}" y="{y:.1f}" width="{_wide(frame):.1f}" height="{tall:.1f}"/>')
    return f'<g class="band {name}">{"".join(bars)}</g>'


def _wide(frame: Frame) -> float:
    return max(frame.x(1) - frame.x(0) - (0.6 if frame.days < 200 else 0.0), 0.6)


def stacked(frame: Frame, layers: Sequence[tuple[str, Points]]) -> str:
    """Bars a day, each layer upon the one before; what is below zero hangs from the axis."""
    tops, lows, parts = [0.0] * frame.days, [0.0] * frame.days, []
    for name, values in layers:
        bars = []
        for k, value in enumerate(values):
            if not value or not isfinite(value):
                continue
            base = tops if value > 0.0 else lows
            a, b = base[k], base[k] + value
            base[k] = b
            y, tall = frame.y(max(a, b)), abs(frame.y(a) - frame.y(b))
            bars.append(f'<rect x="{frame.x(k):.1f}" y="{y:.1f}" width="{_wide(frame):.1f}" height="{tall:.1f}"/>')
        parts.append(f'<g class="fill {name}">{"".join(bars)}</g>')
    return "".join(parts)


def level(frame: Frame, value: float, text: str) -> str:
    """A dashed level with its name."""
    if not frame.low <= value <= frame.high:
        return ""
    y = frame.y(value)
    label = f'<text class="label" x="{WIDTH - RIGHT - 2}" y="{y - 4:.1f}" text-anchor="end">{escape(text)}</text>'
    return f'<line class="level" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>{label}'


def picture(frame: Frame, title: str, *parts: str) -> str:
    """One picture; ``title`` says in words what it shows, for those who cannot see it."""
    return (
        f'<svg viewBox="0 0 {WIDTH:.0f} {frame.height}" role="img" aria-label="{escape(title, quote=True)}">'
        f"<title>{escape(title)}</title>{''.join(parts)}</svg>"
    )


def whiskers(rows: Sequence[tuple[str, float, float, str]], unit: str) -> str:
    """Bars across with their interval: rows of (name, value, half, text)."""
    most = max((value + half for _, value, half, _ in rows), default=1.0) or 1.0
    tall, parts, at = 34.0, [], 150.0
    scale = (WIDTH - at - 160.0) / max(most, 1e-9)
    for k, (name, value, half, text) in enumerate(rows):
        y, end = 6.0 + k * tall, at + max(value, 0.0) * scale
        low, high = at + max(value - half, 0.0) * scale, at + max(value + half, 0.0) * scale
        parts.append(f'<text class="label" x="{at - 8}" y="{y + 15}" text-anchor="end">{escape(name)}</text>')
        parts.append(f'<rect class="fill water" x="{at}" y="{y}" width="{max(end - at, 0.5):.1f}" height="20"/>')
        parts.append(
            f'<path class="whisker" d="M{low:.1f},{y + 10}H{high:.1f}M{low:.1f},{y + 5}v10M{high:.1f},{y + 5}v10"/>'
        )
        parts.append(f'<text class="label" x="{high + 8:.1f}" y="{y + 15}">{escape(text)}</text>')
    return picture(Frame(1, 0, 1, 10 + round(tall) * len(rows)), f"Heat in {unit} with 95 % intervals", *parts)
