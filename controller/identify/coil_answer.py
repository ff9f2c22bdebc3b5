"""How the supply answers to flow, worked out from the coil that was found: a step test on its model, not on the pile.

A step test in steady draw would cost the core another kelvin. The coil as found, in material that does not change while the
step is watched, answers at least as strongly: in a real loop the return follows the supply after a while and the
material around the pipe cools, both of which take some of the answer back.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from controller.identify.coil import Coil
from controller.identify.coil_model import JOINT_KG, TURNS_KG, Guesses, outlet
from controller.identify.dead_time import identify_dead_time
from controller.identify.verdict import Floats
from controller.tuning_rules import Process, half_rule

STEP = 0.2  # of the flow
ROWS_A_PASSAGE, LEAST_ROW_S = 120, 5.0
SETTLED, WATCHED, LEAST_WATCHED_S = 2.0, 1.5, 600.0  # passages of the coil's water
BEFORE = 12  # rows before the step
MODEL_SD = 0.15  # of the answer's slope: tanks in even material, against the simulated loop (own comparison)
LEAST_KG = 1.0


class Answer(NamedTuple):
    """A process from flow [kg/s] to supply [degC] at ``flow_kg_s``, with standard uncertainties; NaN: not told."""

    flow_kg_s: float
    process: Process
    gain_sd: float
    lag_sd_s: float
    delay_sd_s: float


def supply_answer(coil: Coil, flow_kg_s: float, rise_k: float, probe_s: float, probe_sd_s: float) -> Answer:
    """Return the answer at ``flow_kg_s`` of water warmed by ``rise_k``; the half rule takes in the probe's lag."""
    sd = max(coil.ua_sd_w_k / coil.ua_w_k, 0.01)
    found = [
        _reduced(y, flow_kg_s, probe_s) for y in _answers(coil, flow_kg_s, rise_k, np.array([1.0, 1.0 - sd, 1.0 + sd]))
    ]
    middle, sides = found[0], np.array([[p.gain, p.lag_s, p.delay_s] for p in found[1:]])
    gain_sd, lag_sd, delay_sd = (float(x) for x in 0.5 * np.abs(sides[1] - sides[0]))
    return Answer(
        flow_kg_s, middle, float(np.hypot(gain_sd, MODEL_SD * middle.gain)),
        float(np.hypot(lag_sd, 0.5 * probe_sd_s)), float(np.hypot(delay_sd, 0.5 * probe_sd_s)),
    )  # fmt: skip


def _answers(coil: Coil, flow_kg_s: float, rise_k: float, sizes: Floats) -> list[tuple[Floats, Floats]]:
    """Time from the step on [s] and change of the supply [K], for coils whose conductance is ``sizes`` times that found."""
    passage_s = coil.coil_kg / flow_kg_s
    row_s = max(LEAST_ROW_S, passage_s / ROWS_A_PASSAGE)
    before = int(SETTLED * passage_s / row_s) + BEFORE
    after = int(max(WATCHED * passage_s, LEAST_WATCHED_S) / row_s)
    flow = np.concatenate([np.full(before, flow_kg_s), np.full(after, (1.0 + STEP) * flow_kg_s)])
    each = np.ones(sizes.size)
    guesses = Guesses(
        (coil.ua_w_k - coil.drum_ua_w_k) * sizes, coil.drum_ua_w_k * sizes,
        max(coil.coil_kg - TURNS_KG - JOINT_KG, LEAST_KG) * each, 0.0 * each,
    )  # fmt: skip
    of_bed, _ = outlet(guesses, coil.chain, row_s, flow, np.zeros(flow.size))
    time_s = row_s * (np.arange(flow.size) - before)
    kept = slice(before - BEFORE, None)
    changes = rise_k * (of_bed[kept] / of_bed[before - 1] - 1.0)
    return [(np.asarray(time_s[kept], dtype=np.float64), np.asarray(change)) for change in changes.T]


def _reduced(seen: tuple[Floats, Floats], flow_kg_s: float, probe_s: float) -> Process:
    time_s, change_k = seen
    fit = identify_dead_time(time_s, np.where(time_s >= 0.0, STEP * flow_kg_s, 0.0), change_k)
    if not fit.lag_s > 0.0:
        return Process(float("nan"), float("nan"), float("nan"))
    return half_rule(fit.gain, [fit.lag_s, probe_s], fit.delay_s)
