"""One episode as a picture: what happened with the faults and, dashed, without; when faults stood, alarms came, rules
broke."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from sim.episodes import Outcome
from sim.picture import BLACK, BLUE, DARK_ORANGE, GREEN, GREY, ORANGE, RED, SKY, headline, save

if TYPE_CHECKING:
    from matplotlib.axes import Axes

CURVES = (
    ("core_c", "pile core", RED), ("supply_c", "water leaving the pile", ORANGE),
    ("return_c", "water coming back", DARK_ORANGE),
    ("greenhouse_c", "greenhouse", GREEN), ("outdoor_c", "outdoors", SKY),
)  # fmt: skip


def draw_episode(title: str, outcome: Outcome, twin: Outcome, path: Path | str) -> None:
    """Draw an episode that was recorded beside its faultless twin and save it as ``path``."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(13, 13), layout="constrained")
    panels = figure.subplots(5, 1, sharex=True, height_ratios=[1.5, 3.0, 1.2, 1.2, 1.2])
    codes = sorted(b.code for b in outcome.unsafe(twin))
    verdict = f"rules broken by the faults: {', '.join(codes)}" if codes else "no rule broken by the faults"
    figure.suptitle(f"{title}\n{verdict}", fontsize=13, fontweight="bold")
    _draw_events(panels[0], outcome, twin)
    _draw_pairs(panels[1], outcome, twin, CURVES, "Temperatures (dashed: the same days without a fault)", "°C")
    _draw_pairs(panels[2], outcome, twin, (("flow_kg_s", "water", BLUE),), "Water moved", "kg/s")
    duties = (("pump_duty", "pump", BLUE), ("fan_duty", "fan", ORANGE))
    _draw_pairs(panels[3], outcome, twin, duties, "Commanded duties, as they are every ten minutes", "0..1")
    charges = (("pump_soc", "pump's battery", BLUE), ("fan_soc", "fan's battery", ORANGE))
    _draw_pairs(panels[4], outcome, twin, charges, "Charge of the batteries", "0..1")
    panels[-1].set_xlabel("hours since the episode began")
    panels[-1].set_xlim(0.0, 24.0 * outcome.episode.days)
    save(figure, path)


def _draw_events(panel: Axes, outcome: Outcome, twin: Outcome) -> None:
    """Bars for faults; marks for alarms and broken rules, named beside them."""
    end_h = 24.0 * outcome.episode.days
    lines: list[tuple[float, str, str, float | None]] = [
        (f.from_h, f"{f.name} (severity {f.severity:g})", RED, min(f.until_h, end_h)) for f in outcome.episode.faults
    ]
    lines += [(b.at_s / 3600.0, f"rule {b.code}", BLACK, None) for b in outcome.unsafe(twin)]
    lines += [(at_s / 3600.0, f"alarm {code}", BLUE, None) for at_s, code in outcome.raised[:12]]
    for k, (at_h, text, colour, until_h) in enumerate(lines):
        if until_h is not None:
            panel.plot([at_h, until_h], [-k, -k], color=colour, lw=5, solid_capstyle="butt")
        else:
            panel.plot([at_h], [-k], marker="v", color=colour)
        _name(panel, text, -k, at_h, until_h or at_h, end_h, colour)
    panel.set_yticks([])
    panel.set_ylim(-max(len(lines), 1) + 0.4, 0.6)
    headline(panel, "Faults (red), rules they broke (black), alarms (blue)", "")


def _name(panel: Axes, text: str, row: int, from_h: float, until_h: float, end_h: float, colour: str) -> None:
    """Write beside a mark or bar what it is: behind it where there is room, else before it, else on it."""
    room_h = 0.3 * end_h
    if until_h < end_h - room_h:
        place_h, side = until_h, "left"
    elif from_h >= room_h:
        place_h, side = from_h, "right"
    else:
        place_h, side = 0.5 * (from_h + until_h), "center"
    backed = {"facecolor": "white", "edgecolor": "none", "pad": 1.0} if side == "center" else None
    panel.annotate(
        f"  {text}  ", (place_h, row), fontsize=8, va="center", ha=side, color=colour, clip_on=True, bbox=backed
    )


def _draw_pairs(
    panel: Axes, outcome: Outcome, twin: Outcome, curves: tuple[tuple[str, str, str], ...], text: str, unit: str
) -> None:
    for history, style, width in ((twin.history, "--", 1.0), (outcome.history, "-", 1.6)):
        if history is None:
            continue
        hours = history.elapsed_s / 3600.0
        shown = hours <= 24.0 * outcome.episode.days + 0.2
        for name, label, colour in curves:
            values = np.where(shown, history[name], np.nan)
            panel.plot(hours, values, style, color=colour, lw=width, label=label if style == "-" else None)
    panel.axhline(0.0, color=GREY, lw=0.6)
    panel.legend(fontsize=8, ncols=5, frameon=False, loc="lower right", bbox_to_anchor=(1.0, 1.0))  # beside the title
    headline(panel, text, unit)
