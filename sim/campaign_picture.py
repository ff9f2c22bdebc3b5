"""The picture of a campaign: how backup avoided and cold hours spread over the seasons, with the worst runs marked."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sim.campaign import Row
from sim.campaign_figures import sound, worst, worth_name
from sim.picture import BLACK, POLICY_COLOURS, headline, save

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LANE = 0.32  # half the width of a policy's lane of dots
WORST_HERE = 2  # more numbers than this would cover each other
_WORTH = {"backup_avoided_kwh": "Backup heat avoided in a season", "heat_useful_kwh": "Useful heat of a season"}


def draw_campaign(rows: list[Row], title: str, path: Path | str) -> None:
    """Draw every run as a dot, a lane a policy: worth of the season left, its cold hours right. Save it as ``path``."""
    from matplotlib.figure import Figure

    rows = sound(rows)
    policies = list(dict.fromkeys(row["policy"] for row in rows))
    figure = Figure(figsize=(13, 2.8 + 1.5 * len(policies)), layout="constrained")
    figure.suptitle(title, fontsize=14, fontweight="bold")
    left, right = figure.subplots(1, 2, sharey=True)
    worth = worth_name(rows)
    bad = worst(rows, WORST_HERE)
    for lane, policy in enumerate(policies):
        group = [row for row in rows if row["policy"] == policy]
        _lane(left, lane, group, worth, bad, policy, _worth_text(group, worth))
        _lane(right, lane, group, "cold_hours_from_draw", bad, policy, _cold_text(group))
    _frame(left, policies, f"{_WORTH[worth]} (bar: the middle one)", "kWh")
    _frame(right, policies, "What that cost the pile: hours chilled by the draw", "cold hours")
    save(figure, path)


def _lane(panel: Axes, lane: int, group: list[Row], name: str, bad: list[Row], policy: str, text: str) -> None:
    values = np.array([row[name] for row in group])
    heights = lane + spread(values)
    colour = POLICY_COLOURS.get(policy, BLACK)
    panel.scatter(values, heights, s=30, color=colour, alpha=0.7, lw=0, zorder=2)
    middle = float(np.median(values))
    panel.plot([middle, middle], [lane - LANE, lane + LANE], color=BLACK, lw=2, alpha=0.6, zorder=1)
    panel.annotate(text, (0.01, lane - 0.42), xycoords=("axes fraction", "data"), fontsize=9, va="center")
    marked = {row["run"] for row in bad}
    for row, x, y in zip(group, values, heights, strict=True):
        if row["run"] in marked:
            panel.scatter([x], [y], s=90, facecolors="none", edgecolors=BLACK, lw=1.6, zorder=4)
            box = {"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 0.6}
            panel.annotate(
                f"run {row['run']}", (x, y), xytext=(7, 6), textcoords="offset points", fontsize=8, color=BLACK,
                bbox=box, zorder=5,
            )  # fmt: skip


def spread(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Heights within a lane, -LANE..LANE, so that equal dots lie apart: the golden ratio's even filling, by rank."""
    rank = np.argsort(np.argsort(values, kind="stable"), kind="stable")
    return np.asarray(LANE * (2.0 * ((rank * 0.6180339887498949 + 0.5) % 1.0) - 1.0), dtype=np.float64)


def _worth_text(group: list[Row], name: str) -> str:
    values = np.array([row[name] for row in group])
    return f"middle {np.median(values):,.0f} kWh, one season in ten under {np.quantile(values, 0.1):,.0f}"


def _cold_text(group: list[Row]) -> str:
    cold_h = np.array([row["cold_hours_from_draw"] for row in group])
    return f"no cold hour in {int((cold_h == 0.0).sum())} of {len(group)} seasons, {cold_h.sum():,.0f} h in all"


def _frame(panel: Axes, policies: list[str], title: str, unit: str) -> None:
    panel.set_yticks(range(len(policies)), policies)
    panel.set_ylim(len(policies) - 0.45, -0.6)
    panel.margins(x=0.1)
    headline(panel, title, "")
    panel.set_xlabel(unit)
    panel.grid(axis="y", visible=False)
    panel.grid(axis="x", alpha=0.25)
