"""The picture of a plan: heat needed and heat given, day by day, and the pile left alone."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from sim.plan import HOT_C

if TYPE_CHECKING:
    from sim.plan import Plan

NEED, GIVE, CORE = "#3b5b92", "#d9822b", "#7a3b1d"
SMOOTH_DAYS = 3


def draw_plan(plan: Plan, path: Path) -> None:
    """Write the picture (PNG by its name). ``OSError`` when the place cannot be written."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(9.0, 6.0), layout="constrained")
    heat, core = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
    days = np.arange(plan.days) + 0.5
    heat.bar(days, plan.need_day_kwh, width=1.0, color=NEED, alpha=0.35, label="heat the greenhouse needs")
    low, high = plan.give_day_kwh["p10"], plan.give_day_kwh["p90"]
    heat.fill_between(days, low, high, color=GIVE, alpha=0.45, label="heat from the pile, P10 to P90")
    heat.plot(days, plan.give_day_kwh["p50"], color=GIVE, linewidth=2.0, label="P50")
    heat.set_ylabel("kWh a day")
    heat.legend(frameon=False, loc="upper left", ncols=3, fontsize="small")
    heat.set_ylim(0.0, 1.25 * max(float(plan.need_day_kwh.max()), float(high.max()), 1.0))
    core.plot(days, plan.core_day_c, color=CORE, linewidth=2.0)
    core.axhline(HOT_C, color="grey", linestyle=":", linewidth=1.0)
    core.text(plan.days, HOT_C, " 45 °C", va="center", fontsize="small", color="grey")
    core.set(ylabel="core left alone, °C", xlabel="days from the start", xlim=(0.0, plan.days))
    for axes in (heat, core):
        axes.spines[["top", "right"]].set_visible(False)
    figure.suptitle(f"{plan.title}\n{plan.verdict}", fontsize="medium", wrap=True)
    figure.savefig(path, dpi=110)
