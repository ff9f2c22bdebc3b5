"""Pictures of a season that a grower understands without help. Matplotlib is loaded only when one is drawn.

Colours are the Okabe-Ito set, which stays apart for colour-blind eyes (common practice, no source opened).
"""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sim import score
from sim.limits import limit_colour, limit_words
from sim.season import FLOWING_KG_S, SeasonResult

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BLACK, ORANGE, SKY, GREEN = "#000000", "#E69F00", "#56B4E9", "#009E73"
DARK_ORANGE = "#B37400"  # the orange, for words
YELLOW, BLUE, RED, PURPLE, GREY = "#F0E442", "#0072B2", "#D55E00", "#CC79A7", "#999999"
DAY_S = score.DAY_S
CHILL_BEARABLE_H = 24.0
SLOTS = 144  # ten-minute slots of a day
BAND_FROM_DAYS = 21.0  # longer seasons show a day as its mean and range

POLICY_COLOURS = {
    "warmheap": RED, "off": GREY, "full": BLACK, "steady": BLUE, "thermostat": GREEN, "demand": PURPLE, "timer": ORANGE,
    "tuned": SKY,
}  # fmt: skip


def draw_season(result: SeasonResult, path: Path | str) -> None:
    """Draw one season as five panels over its dates and save it as ``path`` (the ending decides the format)."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(13, 15), layout="constrained")
    panels = figure.subplots(5, 1, sharex=True, height_ratios=[3.4, 1.2, 1.6, 1.1, 1.8])
    figure.suptitle(_headline(result), fontsize=14, fontweight="bold")
    drawers = (_draw_temperatures, _draw_duties, _draw_heat, _draw_batteries, _draw_limits)
    for draw, panel in zip(drawers, panels, strict=True):
        draw(panel, result)
    _date_axis(panels[-1], result)
    save(figure, path)


def draw_comparison(results: dict[str, SeasonResult], path: Path | str) -> None:
    """Draw all policies of one scenario: core temperatures, and backup avoided with the cold hours beside it."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(13, 11), layout="constrained")
    cores, bars = figure.subplots(2, 1, height_ratios=[1.5, 1])
    first = next(iter(results.values()))
    days = first.history.elapsed_s[-1] / DAY_S
    title = f"{first.scenario.title}\nThe same pile and the same {days:.0f} days of weather under each policy"
    figure.suptitle(title, fontsize=14, fontweight="bold")
    _draw_cores(cores, results)
    _date_axis(cores, first)
    _draw_bars(bars, results)
    save(figure, path)


def save(figure: Figure, path: Path | str) -> None:
    """Write a picture file in the one size of all pictures."""
    figure.savefig(path, dpi=110)


def _headline(result: SeasonResult) -> str:
    s = result.summary()
    avoided = s["backup_avoided_kwh"]
    heat = f"{s['heat_useful_kwh']:,.0f} kWh of useful heat"
    if avoided is not None:
        heat += f", {avoided:,.0f} kWh of backup avoided"
    cut = " (stopped early)" if result.interrupted else ""
    cold = s["cold_hours_from_draw"]
    blame = "the draw never chilled the pile" if cold == 0 else f"the draw chilled the pile for {cold:,.0f} hours"
    return f"{result.scenario.title}\n{s['days']:.0f} days under '{result.policy}'{cut}: {heat}; {blame}"


def _dates(result: SeasonResult, elapsed_s: NDArray[np.float64]) -> NDArray[np.datetime64]:
    start = np.datetime64(_start(result), "s")
    return start + np.round(elapsed_s).astype("timedelta64[s]")


def _start(result: SeasonResult) -> datetime:
    return datetime.strptime(f"2001-{result.scenario.place.start}", "%Y-%m-%d")  # the year is never shown


def _date_axis(panel: Axes, result: SeasonResult) -> None:
    from matplotlib.dates import AutoDateLocator, DateFormatter

    panel.xaxis.set_major_locator(AutoDateLocator(minticks=5, maxticks=14))
    panel.xaxis.set_major_formatter(DateFormatter("%-d %b"))
    end = _dates(result, result.history.elapsed_s[-1:])[0]
    panel.set_xlim(_start(result), end)
    panel.tick_params(axis="x", labelbottom=True)


def headline(panel: Axes, text: str, unit: str) -> None:
    """Say above a panel what it shows, and beside it in which unit."""
    panel.set_title(text, loc="left", fontsize=11)
    panel.set_ylabel(unit)
    panel.grid(axis="y", alpha=0.25)
    panel.spines[["top", "right"]].set_visible(False)


def _label_end(panel: Axes, y: float, text: str, colour: str) -> None:
    """Name a curve at its right end, beside the panel."""
    here = ("axes fraction", "data")
    panel.annotate(text, (1.005, y), xycoords=here, color=colour, fontsize=9, va="center", annotation_clip=False)


def _limit_line(panel: Axes, limit_c: float, text: str, colour: str) -> None:
    here = ("axes fraction", "data")
    panel.axhline(limit_c, color=colour, lw=1, ls=":")
    box = {"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 0.8}
    panel.annotate(text, (0.3, limit_c), xycoords=here, color=colour, fontsize=9, va="center", bbox=box, zorder=5)


def _label_ends(panel: Axes, labels: list[tuple[float, str, str]], gap: float) -> None:
    """Name several curves at their right ends, pushed at least ``gap`` (data units) apart."""
    y = -np.inf
    for end, text, colour in sorted(labels):
        y = max(end, y + gap)
        _label_end(panel, y, text, colour)


def _daily(result: SeasonResult, values: NDArray[np.float64], how: Any) -> NDArray[np.float64]:
    """One number a day from ``values``, NaN for a day that has none."""
    day = np.minimum(result.history.elapsed_s // DAY_S, _whole_days(result) - 1).astype(int)
    parts = (values[(day == d) & np.isfinite(values)] for d in range(_whole_days(result)))
    return np.array([how(part) if part.size else np.nan for part in parts])


def _whole_days(result: SeasonResult) -> int:
    return max(1, int(np.ceil(result.history.elapsed_s[-1] / DAY_S - 1e-6)))


def _noons(result: SeasonResult) -> NDArray[np.datetime64]:
    return _dates(result, (np.arange(_whole_days(result)) + 0.5) * DAY_S)


def _curve(panel: Axes, result: SeasonResult, values: NDArray[np.float64], colour: str, width: float = 1.5) -> None:
    """A quantity over time: every row for short seasons, daily mean and range for long ones."""
    if result.history.elapsed_s[-1] < BAND_FROM_DAYS * DAY_S:
        panel.plot(_dates(result, result.history.elapsed_s), values, color=colour, lw=width)
        return
    noons = _noons(result)
    low, mean, high = (_daily(result, values, how) for how in (np.min, np.mean, np.max))
    panel.fill_between(noons, low, high, color=colour, alpha=0.18, lw=0)
    panel.plot(noons, mean, color=colour, lw=width)


def _last(values: NDArray[np.float64], over: int = SLOTS) -> float:
    good = values[np.isfinite(values)]
    return float(good[-over:].mean()) if good.size else 0.0


def _draw_temperatures(panel: Axes, result: SeasonResult) -> None:
    h = result.history
    dates = _dates(result, h.elapsed_s)
    supply_c = np.where(h["flow_kg_s"] > FLOWING_KG_S, h["supply_c"], np.nan)
    settings = result.scenario.controller_settings()
    panel.plot(dates, result.twin_core_c(), color=GREY, lw=1.2, ls="--")
    _curve(panel, result, h["outdoor_c"], SKY)
    _curve(panel, result, h["greenhouse_c"], GREEN)
    _curve(panel, result, supply_c, ORANGE)
    panel.plot(dates, h["core_c"], color=RED, lw=2.2)
    labels = [
        (_last(result.twin_core_c()), "core if left alone", "#666666"),
        (_last(h["core_c"]), "pile core", RED),
        (_last(h["greenhouse_c"]), "greenhouse", GREEN),
        (_last(h["outdoor_c"]), "outdoors", BLUE),
    ]
    if np.isfinite(supply_c).any():
        labels.append((_last(supply_c), "water while pumping", DARK_ORANGE))
    _limit_line(panel, settings.pile_floor_c, f"pile floor {settings.pile_floor_c:.0f} °C", RED)
    _limit_line(panel, settings.greenhouse_min_c, f"crop minimum {settings.greenhouse_min_c:.0f} °C", GREEN)
    _label_ends(panel, labels, 3.4)
    band = " (line: mean of the day, band: its range)" if h.elapsed_s[-1] >= BAND_FROM_DAYS * DAY_S else ""
    headline(panel, f"How warm pile, water, greenhouse and outdoors were{band}", "°C")


def _draw_duties(panel: Axes, result: SeasonResult) -> None:
    h = result.history
    ends = []
    for name, text, colour, dark in (("pump_duty", "pump", BLUE, BLUE), ("fan_duty", "fan", ORANGE, DARK_ORANGE)):
        daily = 100.0 * _daily(result, h[name], np.mean)
        panel.step(_noons(result), daily, where="mid", color=colour, lw=1.6)
        ends.append((_last(daily, over=1), text, dark))
    panel.set_ylim(bottom=0.0)
    _label_ends(panel, ends, panel.get_ylim()[1] * 0.13)
    headline(panel, "How hard pump and fan worked, mean of each day", "% of full")


def _draw_heat(panel: Axes, result: SeasonResult) -> None:
    h = result.history
    noons, wide = _noons(result), timedelta(days=0.9)
    water, air = (score.heat_per_day(h.elapsed_s, h[name]) for name in ("heat_water_j", "heat_air_j"))
    panel.bar(noons, water, width=wide, color=BLUE, label="brought in by water")
    panel.bar(noons, air, bottom=np.maximum(water, 0.0), width=wide, color=ORANGE, label="brought in by air")
    title = "Heat brought into the greenhouse each day"
    if result.scenario.greenhouse.backup:
        title += ", and what the backup heater still had to give"
        without = score.heat_per_day(h.elapsed_s, result.backup_without_pile_j())
        still = score.heat_per_day(h.elapsed_s, h["backup_j"])
        text = "backup heater, had there been no pile"
        panel.step(noons, without, where="mid", color=GREY, lw=1.2, ls="--", label=text)
        panel.step(noons, still, where="mid", color=BLACK, lw=1.2, label="backup heater, with the pile")
    panel.legend(fontsize=8, ncols=4, frameon=False, loc="upper right")
    panel.set_ylim(top=1.25 * panel.get_ylim()[1])
    headline(panel, title, "kWh a day")


def _draw_batteries(panel: Axes, result: SeasonResult) -> None:
    h = result.history
    for name, colour in (("pump_soc", BLUE), ("fan_soc", ORANGE)):
        _curve(panel, result, 100.0 * h[name], colour)
    pump, fan = (100.0 * _last(h[name]) for name in ("pump_soc", "fan_soc"))
    _label_ends(panel, [(pump, "pump battery", BLUE), (fan, "fan battery", DARK_ORANGE)], 13.0)
    panel.set_ylim(0, 105)
    headline(panel, "How full the two batteries were", "% full")


def _draw_limits(panel: Axes, result: SeasonResult) -> None:
    """A carpet: each column a day, midnight at its foot and top, coloured by what limited the draw."""
    from matplotlib.colors import ListedColormap
    from matplotlib.dates import date2num
    from matplotlib.patches import Patch

    h = result.history
    colours = [limit_colour(code) for code in h.limits]
    days = _whole_days(result)
    carpet = np.full((SLOTS, days), np.nan)
    slot = np.minimum((h.elapsed_s[1:] - 1.0) // 600.0, days * SLOTS - 1).astype(int)
    carpet[slot % SLOTS, slot // SLOTS] = h["limit"][1:]
    left = date2num(_start(result))
    panel.imshow(
        carpet, aspect="auto", origin="lower", extent=(left, left + days, 0.0, 24.0), interpolation="nearest",
        cmap=ListedColormap(colours), vmin=-0.5, vmax=len(colours) - 0.5,
    )  # fmt: skip
    shown = sorted({int(k) for k in h["limit"][1:]}, key=lambda k: -np.count_nonzero(h["limit"] == k))
    handles = [Patch(facecolor=colours[k], label=limit_words(h.limits[k])) for k in shown]
    panel.legend(handles=handles, fontsize=8, ncols=5, frameon=False, loc="upper center", bbox_to_anchor=(0.5, -0.14))
    panel.set_yticks([0, 6, 12, 18, 24])
    headline(panel, "What held the draw back, hour by hour (a column is a day)", "hour of the day")


def _draw_cores(panel: Axes, results: dict[str, SeasonResult]) -> None:
    labels = []
    for name, result in results.items():
        colour = POLICY_COLOURS.get(name, BLACK)
        core_c = result.history["core_c"]
        width = 2.6 if name == "warmheap" else 1.3
        panel.plot(_dates(result, result.history.elapsed_s), core_c, color=colour, lw=width)
        labels.append((float(core_c[-1]), name, colour))
    _limit_line(panel, score.FLOOR_C, f"below {score.FLOOR_C:.0f} °C a pile is chilled", RED)
    low, high = panel.get_ylim()
    _label_ends(panel, labels, (high - low) * 0.035)
    headline(panel, "What each policy did to the pile: core temperature", "core, °C")


def _draw_bars(panel: Axes, results: dict[str, SeasonResult]) -> None:
    summaries = {name: result.summary() for name, result in results.items()}
    heater = next(iter(results.values())).scenario.greenhouse.backup
    key, what = ("backup_avoided_kwh", "backup heat avoided") if heater else ("heat_useful_kwh", "useful heat")
    avoided = {n: s[key] for n, s in summaries.items()}
    names = sorted(avoided, key=lambda n: avoided[n])
    panel.barh(names, [avoided[n] for n in names], color=[POLICY_COLOURS.get(n, BLACK) for n in names])
    for k, name in enumerate(names):
        cold = summaries[name]["cold_hours_from_draw"]
        chilled = "pile never chilled" if cold == 0.0 else f"pile chilled for {cold:,.0f} h"
        text = f" {avoided[name]:,.0f} kWh, {chilled}"
        weight = "bold" if cold < CHILL_BEARABLE_H else "normal"
        panel.annotate(text, (max(avoided[name], 0.0), k), va="center", fontsize=9, fontweight=weight)
    panel.margins(x=0.3)
    headline(panel, f"What each policy saved ({what}), and what that cost the pile (hours chilled by the draw)", "")
    panel.set_xlabel(f"{what}, kWh")
    panel.grid(axis="y", visible=False)
    panel.grid(axis="x", alpha=0.25)
