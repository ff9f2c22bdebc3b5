"""One picture of a tuning: the trade, the margins, and both answers in time, a row for each loop."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sim.picture import BLACK, BLUE, DARK_ORANGE, GREY, RED, SKY
from sim.tuning_loops import Floats, answers, loops_of, margins_of
from sim.tuning_plants import FLOW, random_plants
from sim.tuning_proof import GAIN_MARGIN, MS_EVER, MS_MOST, PHASE_MARGIN_DEG
from sim.tuning_search import COLUMNS, LOAD_AT, Found, course, gains_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

TRACKING, TRAVEL, MS = (COLUMNS.index(name) for name in ("tracking", "travel", "ms_share"))
DPI = 85
MOST_MS, MOST_GM_DB = 3.0, 30.0  # axes end here; what lies beyond is drawn at the edge
NAMES = {FLOW: "Flow loop: pump duty to flow", "supply": "Supply loop: flow to supply temperature"}
MARKS = {"tight SIMC": ("s", BLACK), "SIMC, 3 dead times": ("D", BLUE), "in use": ("v", DARK_ORANGE)}


def draw_tuning(found: list[Found], plants: int, seed: int, title: str, path: Path | str) -> None:
    """Draw what the search found for each loop and save it as ``path`` (the ending decides the format)."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(17, 4.9 * len(found)), layout="constrained")
    figure.suptitle(
        f"{title}\nOne set of gains for {plants} plants up to 50 % off the design", fontsize=14, weight="bold"
    )
    rows = figure.subplots(len(found), 4, squeeze=False, width_ratios=[1.1, 1, 1.1, 1.1])
    for one, (trade, margin, output, given) in zip(found, rows, strict=True):
        _draw_trade(trade, one)
        _draw_margins(margin, one, plants, seed)
        _draw_answers(output, given, one, plants, seed)
    figure.savefig(path, dpi=DPI)


def _draw_trade(panel: Axes, found: Found) -> None:
    table = found.table[found.front]
    sane = table[table[:, MS] <= MOST_MS]
    points = panel.scatter(sane[:, MS], sane[:, TRACKING], c=sane[:, TRAVEL], s=16, cmap="viridis", vmin=0.0, vmax=1.5)
    panel.figure.colorbar(points, ax=panel, label="duty travel, 1 = tight SIMC", shrink=0.8, extend="max")
    best = found.table[found.chosen]
    panel.plot(best[MS], best[TRACKING], "*", color=RED, ms=20, mec="white", label="chosen")
    for name, row in found.named.items():
        mark, colour = MARKS[name]
        outside = " (beyond the axis)" if _beyond(row) else ""
        panel.plot(
            min(row[MS], MOST_MS), min(row[TRACKING], 3.0), mark, color=colour, ms=8, mec="white", clip_on=False,
            label=name + outside,
        )  # fmt: skip
    panel.axvline(MS_MOST, color=GREY, ls=":", lw=1.2)
    panel.set(xlim=(1.0, MOST_MS), ylim=(0.7, 3.0), xlabel="maximum sensitivity that 95 % of the plants keep")
    panel.set_title(f"{NAMES[found.design.name]}\nPareto front: the trade", loc="left", fontsize=11)
    panel.set_ylabel("tracking error, 1 = tight SIMC")
    panel.legend(fontsize=9, loc="upper right")


def _beyond(row: Floats) -> bool:
    return bool(row[MS] > MOST_MS or row[TRACKING] > 3.0)


def _draw_margins(panel: Axes, found: Found, plants: int, seed: int) -> None:
    true = [plant.true for plant in random_plants(found.design, seed, range(plants))]
    seen = margins_of(loops_of(true, [found.gains] * plants, found.design.tick_s))
    gain_db = np.minimum(20.0 * np.log10(seen.gain_margin), MOST_GM_DB)
    points = panel.scatter(
        gain_db, np.minimum(seen.phase_margin_deg, 120.0), c=seen.peak_sensitivity, s=26, cmap="cividis_r", vmin=1.0,
        vmax=2.0, ec="black", lw=0.3,
    )  # fmt: skip
    panel.figure.colorbar(points, ax=panel, label="maximum sensitivity", shrink=0.8)
    panel.axvline(20.0 * np.log10(GAIN_MARGIN), color=RED, ls=":", lw=1.5)
    panel.axhline(PHASE_MARGIN_DEG, color=RED, ls=":", lw=1.5)
    most = float(seen.peak_sensitivity.max())
    panel.set_title(
        f"Margins of every plant, chosen gains\nlargest maximum sensitivity {most:.2f} (goal {MS_EVER:.1f})",
        loc="left", fontsize=11,
    )  # fmt: skip
    panel.set(xlabel="gain margin [dB]; red: goals", ylabel="phase margin [deg]")
    panel.set_xlim(left=0.0)
    panel.set_ylim(bottom=0.0)


def _draw_answers(output: Axes, given: Axes, found: Found, plants: int, seed: int) -> None:
    design = found.design
    true = [plant.true for plant in random_plants(design, seed, range(plants))]
    target, load = course(design)
    quiet = np.zeros_like(load)
    many = answers(loops_of(true, [found.gains] * plants, design.tick_s), target, load, quiet)
    tight = answers(
        loops_of([design.process], [gains_of(found.named["tight SIMC"])], design.tick_s), target, load, quiet
    )
    drawn = answers(loops_of([design.process], [found.gains], design.tick_s), target, load, quiet)
    shown = _shown(many.output - target, design.step)
    minutes = np.arange(shown.size, dtype=np.float64) * (design.tick_s / 60.0)
    k = design.duty_per_given
    _draw_one(output, minutes, many.output[:, shown], drawn.output[0, shown], tight.output[0, shown], design.unit)
    duties = k * many.given[:, shown], k * drawn.given[0, shown], k * tight.given[0, shown]
    _draw_one(given, minutes, *duties, "pump duty")
    output.plot(minutes, target[0, shown], color=GREY, lw=1, label="target")
    output.set_title("Output: step of the target,\nthen (dotted line) of the load", loc="left", fontsize=11)
    given.set_title("What the pump does for it\n(no noise drawn)", loc="left", fontsize=11)
    low, high = output.get_ylim()
    output.set_ylim(bottom=low - 0.45 * (high - low))  # room for the names
    output.legend(fontsize=9, loc="lower right")


def _draw_one(panel: Axes, minutes: Floats, plants: Floats, chosen: Floats, tight: Floats, unit: str) -> None:
    """Band of all plants, (n, ticks), and the design plant's two curves, (ticks,)."""
    panel.fill_between(minutes, plants.min(axis=0), plants.max(axis=0), color=SKY, alpha=0.45, lw=0, label="all plants")
    panel.plot(minutes, tight, color=BLACK, lw=1.2, ls="--", label="design plant, tight SIMC")
    panel.plot(minutes, chosen, color=RED, lw=2.0, label="design plant, chosen gains")
    panel.axvline(minutes[minutes.size // 2], color=GREY, lw=1, ls=":")
    panel.set(xlabel="minutes", ylabel=f"change [{unit}]", xlim=(0.0, minutes[-1]))
    panel.spines[["top", "right"]].set_visible(False)


def _shown(error: Floats, step: float) -> NDArray[np.int64]:
    """Ticks worth drawing, the same number after each step: until all plants have come within 2 % of the target."""
    off = np.abs(error).max(axis=0) > 0.02 * abs(step)
    lasts = [int(np.flatnonzero(half).max(initial=0)) for half in (off[:LOAD_AT], off[LOAD_AT:])]
    length = min(max(lasts) + 6, LOAD_AT)
    return np.concatenate((np.arange(length), LOAD_AT + np.arange(length)))
