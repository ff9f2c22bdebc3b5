"""Recorded and replayed duties over time, as one SVG file."""

from __future__ import annotations

from datetime import UTC, datetime

from .replay_run import Replayed

WIDTH, HEIGHT, LEFT, PANEL = 900, 380, 60, 140
STYLE = (
    "text{font:13px Georgia,serif;fill:#222}.then{stroke:#2b6ea6}.now{stroke:#b3471d;stroke-dasharray:4 3}"
    "path{fill:none;stroke-width:1.4}line{stroke:#bbb}"
)


def draw(found: Replayed) -> str:
    """Two panels, pump and fan: what was put out, and dashed what would be today."""
    points = found.points or [(0.0, 0.0, 0.0, 0.0, 0.0)]
    t0, t1 = points[0][0], max(points[-1][0], points[0][0] + 1.0)
    parts = [f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}"><style>{STYLE}</style>']
    parts.append(f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#fff"/>')
    for k, name in enumerate(("pump", "fan")):
        top = 30 + k * (PANEL + 35)
        parts.append(f'<text x="6" y="{top + 15}">{name}</text>')
        for share in (0.0, 1.0):
            y = top + PANEL * (1.0 - share)
            parts.append(f'<line x1="{LEFT}" x2="{WIDTH - 10}" y1="{y}" y2="{y}"/>')
            parts.append(f'<text x="{LEFT - 8}" y="{y + 4}" text-anchor="end">{share:.0%}</text>')
        for column, style in ((1 + 2 * k, "then"), (2 + 2 * k, "now")):
            xy = (
                (LEFT + (WIDTH - LEFT - 10) * (p[0] - t0) / (t1 - t0), top + PANEL * (1.0 - p[column])) for p in points
            )
            parts.append(f'<path class="{style}" d="M{"L".join(f"{x:.1f},{y:.1f}" for x, y in xy)}"/>')
    for x, anchor, time_s in ((LEFT, "start", t0), (WIDTH - 10, "end", t1)):
        when = datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%d %H:%M UTC")
        parts.append(f'<text x="{x}" y="{HEIGHT - 8}" text-anchor="{anchor}">{when}</text>')
    parts.append(f'<text x="{LEFT}" y="18">line: as recorded; dashed: as today\'s controller decides</text></svg>')
    return "".join(parts)
