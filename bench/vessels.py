"""Two published composting vessels with forced air, run with the pile's own equations, beside what was measured.

    python bench/vessels.py [--fit] [--picture docs/vessels.png]

Prints the temperatures and errors of our model, those of the model published with the runs, and the bar that a
review of 2006 found no model to meet. ``--fit`` finds the one fitted number anew, from the record of vessel A.
Sources: see `sim.vessel`; Mason 2006, Waste Management 26, 3-21 (abstract read).
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import least_squares

from sim.vessel import COTERA_MATERIAL, COTERA_RECORDS, COTERA_VESSELS, DAY_S, Record, VesselRun, run_vessel

HOURS = 120.0
WHOLE_DAYS_H = (24.0, 48.0, 72.0, 96.0, 120.0)
# the published model from its published inputs (tests/sim/test_vessels.py does it anew)
PUBLISHED_DAILY_C = {"A": (48.71, 45.65, 42.59, 39.83, 37.38), "B": (60.58, 62.90, 60.53, 57.86, 55.22)}
PUBLISHED_PEAK = {"A": (48.95, 0.80 * 24.0), "B": (63.27, 1.63 * 24.0)}  # degC, hours
PUBLISHED_RMS_K = {"A": 1.67, "B": 1.51}  # over all measured points, as published: not over five


@dataclass(frozen=True)
class Errors:
    """How far a model is from a record on whole days, [K], and at the peak, [K] and [h]."""

    rms: float
    greatest: float
    mean: float
    peak: float
    peak_h: float


def errors(daily_c, peak_c: float, peak_h: float, record: Record) -> Errors:
    measured = np.array(record.mean_c)[np.isin(record.time_h, WHOLE_DAYS_H)]
    error = np.asarray(daily_c) - measured
    return Errors(
        float(np.sqrt(np.mean(error**2))), float(np.abs(error).max()), float(np.abs(error).mean()),
        peak_c - record.peak_c, peak_h - record.peak_h,
    )  # fmt: skip


def our_errors(run: VesselRun, record: Record) -> Errors:
    daily = np.interp(np.array(WHOLE_DAYS_H) * 3600.0, run.time_s, run.mean_c)
    top = int(run.mean_c.argmax())
    return errors(daily, float(run.mean_c[top]), run.time_s[top] / 3600.0, record)


def table(runs: dict[str, VesselRun]) -> list[str]:
    """Lines of the table of errors, in Markdown."""
    lines = [
        "| vessel, model | rms, whole days | greatest | mean | peak | time of peak |",
        "|---|---|---|---|---|---|",
    ]
    for name, run in runs.items():
        record = COTERA_RECORDS[name]
        how = "rate fitted to it" if name == "A" else "predicted"
        lines.append(_line(f"{name}, ours ({how})", our_errors(run, record)))
        published = errors(PUBLISHED_DAILY_C[name], *PUBLISHED_PEAK[name], record)
        lines.append(_line(f"{name}, model published with it", published))
    lines.append("| bar of Mason 2006 | | 5 K | 2 K | 2 K | 8 h |")
    return lines


def _line(label: str, e: Errors) -> str:
    peak_h = round(e.peak_h) + 0  # never "-0"
    return f"| {label} | {e.rms:.1f} K | {e.greatest:.1f} K | {e.mean:.1f} K | {e.peak:+.1f} K | {peak_h:+d} h |"


def at_the_records_times(runs: dict[str, VesselRun]) -> list[str]:
    """Lines of a table of temperatures, ours and measured, in Markdown."""
    lines = []
    for name, run in runs.items():
        record = COTERA_RECORDS[name]
        ours = np.interp(np.array(record.time_h) * 3600.0, run.time_s, run.mean_c)
        lines.append(f"| vessel {name}: hours | " + " | ".join(f"{h:g}" for h in record.time_h) + " |")
        lines.append("|---|" + "---|" * len(record.time_h))
        lines.append("| measured, degC | " + " | ".join(f"{t:.1f}" for t in record.mean_c) + " |")
        lines.append("| ours, degC | " + " | ".join(f"{t:.1f}" for t in ours) + " |")
        lines.append("")
    return lines


def fit_rate_per_day() -> float:
    """Rate that fits the whole record of vessel A best, by least squares."""
    record = COTERA_RECORDS["A"]

    def misfit(rate_per_day):
        material = replace(COTERA_MATERIAL, rate_per_s=float(rate_per_day[0]) / DAY_S)
        run = run_vessel(COTERA_VESSELS["A"], material, HOURS)
        return np.interp(np.array(record.time_h) * 3600.0, run.time_s, run.mean_c) - record.mean_c

    return float(least_squares(misfit, [0.2], diff_step=1e-3).x[0])


def picture(runs: dict[str, VesselRun], path: str) -> None:
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    figure, axes = plt.subplots(1, len(runs), figsize=(10.0, 4.2), sharey=True, layout="constrained")
    for axis, (name, run) in zip(axes, runs.items(), strict=True):
        vessel, record, hours = COTERA_VESSELS[name], COTERA_RECORDS[name], run.time_s / 3600.0
        axis.fill_between(
            hours, run.layers_c.min(axis=1), run.layers_c.max(axis=1), color="tab:orange", alpha=0.2, lw=0,
            label="ours, coolest to hottest layer",
        )  # fmt: skip
        axis.plot(hours, run.mean_c, color="tab:orange", lw=2, label="ours, mean of the layers")
        axis.plot(record.time_h, record.mean_c, "o", color="black", label="measured, mean of six probes")
        axis.plot(
            WHOLE_DAYS_H, PUBLISHED_DAILY_C[name], "x", color="tab:blue", ms=8, mew=2, label="model published with it"
        )
        how = "rate fitted to it" if name == "A" else "predicted"
        air = f"{vessel.air_kg_s * DAY_S:g} kg air a day"
        axis.set_title(f"Vessel {name}: {vessel.wet_kg:g} kg, {air} ({how})", size=10)
        axis.set_xlabel("hours from filling")
        axis.set_xticks(range(0, 121, 24))
        axis.grid(alpha=0.3)
    axes[0].set_ylabel("temperature, °C")
    axes[0].legend(loc="upper right", fontsize=8)
    figure.savefig(path, dpi=110)
    print(f"picture: {path}")


def main() -> int:
    """Run both vessels and print how far off they are."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--fit", action="store_true", help="find the rate anew from vessel A")
    parser.add_argument("--picture", metavar="FILE", help="write a picture")
    options = parser.parse_args()
    runs = {name: run_vessel(vessel, COTERA_MATERIAL, HOURS) for name, vessel in COTERA_VESSELS.items()}
    print("\n".join(at_the_records_times(runs) + table(runs)))
    over_all = ", ".join(f"{name} {rms:.2f} K" for name, rms in PUBLISHED_RMS_K.items())
    print(f"Over all measured points, not only whole days, the published model's rms is: {over_all}.")
    if options.fit:
        used = COTERA_MATERIAL.rate_per_s * DAY_S
        print(f"rate fitted to vessel A: {fit_rate_per_day():.4f} a day (in use: {used:.4f})")
    if options.picture:
        picture(runs, options.picture)
    return 0


if __name__ == "__main__":
    sys.exit(main())
