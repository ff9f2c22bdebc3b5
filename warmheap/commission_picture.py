"""The picture of a session on the simulator: its course, the start and the pump's curve, each beside the truth."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.commissioning import COLUMNS
from controller.commissioning_plan import DOWN, DRAW, FAN_DOWN, FAN_UP, FIRST, START, UP
from controller.identify.motor import NOMINAL_V

if TYPE_CHECKING:
    from .commission_sim import Session

BLUE, ORANGE, BROWN, GREY, SKY = "#3b5b92", "#d9822b", "#7a3b1d", "#888888", "#7fb2d9"
SHOWN = (START, FIRST, DOWN, UP, DRAW, FAN_UP, FAN_DOWN)
DPI = 85


def draw_session(done: Session, title: str, path: Path) -> None:
    """Write the picture (PNG by its name). ``OSError`` when the place cannot be written."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(11.0, 7.4), layout="constrained")
    figure.suptitle(f"{title}\nA commissioning session on the simulator (invented plant)", fontsize="medium")
    (course, duties), (start, curve) = figure.subplots(2, 2)
    _course(course, duties, done)
    _start(start, done)
    _curve(curve, done)
    for axes in (course, duties, start, curve):
        axes.spines[["top", "right"]].set_visible(False)
    figure.savefig(path, dpi=DPI)


def _table(done: Session, *stages: str) -> dict[str, Any]:
    import numpy as np

    rows = np.array(done.session.record(*stages), dtype=float).reshape(-1, len(COLUMNS))
    rows[:, 4:7] = np.where(np.abs(rows[:, 4:7]) < 80.0, rows[:, 4:7], np.nan)  # a probe's false 85 degC is no water
    return dict(zip(COLUMNS, rows.T, strict=True))


def _course(temperature: Any, duty: Any, done: Session) -> None:
    r = _table(done, *done.session.recorded_stages)
    minutes = (r["time_s"] - r["time_s"][0]) / 60.0
    for name, colour, text in (
        ("pile_core_c", BROWN, "core"), ("water_supply_c", ORANGE, "supply"), ("water_return_c", BLUE, "return"),
    ):  # fmt: skip
        temperature.plot(minutes, r[name], color=colour, lw=1.4, label=text)
    temperature.set(ylabel="as read, °C", xlabel="minutes")
    temperature.legend(frameon=False, fontsize="small")
    temperature.set_title(
        f"The water; the core cools by {done.core_drop_k:.1f} K in all", loc="left", fontsize="medium"
    )
    duty.plot(minutes, 100.0 * r["pump_duty"], color=BLUE, lw=1.2, label="pump")
    duty.plot(minutes, 100.0 * r["fan_duty"], color=SKY, lw=1.2, label="fan")
    for stage in SHOWN:
        rows = _table(done, stage)["time_s"]
        if rows.size:
            middle = (0.5 * (rows[0] + rows[-1]) - r["time_s"][0]) / 60.0
            duty.text(middle, 103.0, stage, rotation=90, ha="center", va="bottom", fontsize="x-small", color=GREY)
    duty.set(ylabel="power, %", xlabel="minutes", ylim=(0.0, 122.0))
    duty.legend(frameon=False, fontsize="small", loc="center right")


def _start(panel: Any, done: Session) -> None:
    import numpy as np

    from controller.identify.dead_time import unit_answer

    r, fit = _table(done, START, FIRST), done.learned.start
    moves = np.flatnonzero(r["pump_duty"] >= done.session.start_duty)
    began_s = r["time_s"][max(moves[0] - 1, 0)] if moves.size else r["time_s"][0]
    since = r["time_s"] - began_s
    panel.plot(since, r["water_supply_c"], ".", color=ORANGE, ms=3, label="supply as read")
    if fit.lag_s == fit.lag_s:
        answer = unit_answer(since, np.zeros(1), np.ones(1), fit.delay_s, fit.lag_s)
        text = f"found: dead time {fit.delay_s:.0f} s, lag {fit.lag_s:.0f} s"
        panel.plot(since, fit.level + fit.gain * answer, color=GREY, lw=1.4, label=text)
    panel.set(xlabel="seconds since water moved", ylabel="°C", xlim=(-30.0, float(since[-1])))
    true = done.truth
    about = f"The start; true: {true['delay_s']:.0f} s and {true['lag_s']:.0f} s"
    panel.set_title(about, loc="left", fontsize="medium")
    panel.legend(frameon=False, fontsize="small", loc="lower right")


def _curve(panel: Any, done: Session) -> None:
    import numpy as np

    pump = done.learned.pump
    if pump.drive:
        sds = 120.0 * np.array(pump.reading_sd)
        panel.errorbar(pump.drive, 60.0 * np.array(pump.reading), sds, fmt="o", ms=3, color=BLUE, label="found, ± 2 sd")
        duties = np.linspace(done.truth["run_duty"], 1.0, 80)
        panel.plot(duties, [60.0 * done.pump_at(float(d)) for d in duties], color=GREY, lw=1.2, label="true")
    panel.set(xlabel=f"pump power as a share, at {NOMINAL_V:.0f} V", ylabel="L/min")
    panel.set_title("The pump", loc="left", fontsize="medium")
    panel.legend(frameon=False, fontsize="small")
