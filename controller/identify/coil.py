"""How well the coil passes heat, from one draw out of rest.

Water that stood in the coil comes out as hot as the bed around it; what follows entered cold and was warmed on its
way. A model of tanks in series (`coil_model`) is laid over the whole draw by least squares: the bed's temperature in closed
form, conductance, water content, probe lag and the cooling of the material around by damped Gauss-Newton steps,
the degree of mixing by trial.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from controller.identify.coil_model import JOINT_KG, TURNS_KG, Chain, Guesses, lagged, outlet
from controller.identify.verdict import (
    Floats,
    Spoiled,
    Verdict,
    cannot_tell,
    good,
    hanging_together,
    repeat_with,
    usable_rows,
)
from controller.media import WATER_J_KG_K

LEAST_ROWS = 20
LEAST_SPAN_K = 8.0  # bed over return
MOST_NTU = 3.0
PASSED, PASSED_WELL, PASSED_BLIND = 1.15, 1.45, 1.6  # coil contents pumped: to try, to trust, without a tape
PROBE_SD_K, FLOW_SD = 0.1, 0.02  # of matched probes, and of a flow
LEAST_STEP_S, MOST_STEPS = 2.0, 400
TANKS = (5, 8, 12, 20, 50)
LEAST_UA, MOST_UA = 10.0, 4000.0  # W/K
LEAST_KG = 1.0
ANY_DRUM_KG = 200.0
MOST_SAG_K_J = 6e-6
SAG_K_J = 7e-7  # of half a tonne of wet material around the pipe; a rough guess before the test
TAPE_SD, TAPE_SD_KG = 0.08, 1.5  # error of log water by tape, and of what lies outside of what was taped
DRUM_UA, DRUM_UA_SD = 60.0, 0.7  # W/K of a turn or three in a drum, and its logarithm's spread (own judgement)
FIT_SD_K = 0.15  # size of an ordinary residual
SCALE = np.array([1.0, 1.0, 1e-6, 1.0, 1.0])
STEPS = 14
MOST_SD = 0.12  # of UA; on simulated plants the true error was half of what is stated here, so that 15 % was kept
MODEL_SD = 0.04  # tanks in an even bed are not the coil itself; seen on simulated plants
UNEVEN = 0.3  # so much of a bed that seems to cool otherwise than usual is a bed that was uneven (own judgement)
RIVAL = 3.0  # a chain with an error up to so many times the best one's is a rival
NAN = float("nan")
MORE_WATER = repeat_with("more water drawn: what stood in the coil had not all passed")
SEVERAL = repeat_with("a longer draw, or the length and bore of the coil's pipe: several coils fit what was seen")


class Coil(NamedTuple):
    """Conductance of a fresh bed [W/K], water in the coil [kg], bed temperature by the supply probe [degC]; NaN: not told.

    ``sag_k_j`` is by how much the material around the coil cooled for each joule it gave; ``fit_k`` the residuals' rms.
    The conductance is that of ``tanks`` in the bed and of ``drum_ua_w_k`` in a drum, together.
    """

    ua_w_k: float
    ua_sd_w_k: float
    coil_kg: float
    bed_c: float
    sag_k_j: float
    fit_k: float
    verdict: Verdict
    tanks: int = 0
    drum_ua_w_k: float = 0.0

    @property
    def chain(self) -> Chain:
        """How the coil is cut in the model that was fitted."""
        return Chain(max(self.tanks, 1), ANY_DRUM_KG if self.drum_ua_w_k > 0.0 else 0.0)


def effectiveness(ua_w_k: float, flow_kg_s: float) -> float:
    """Return 1 - exp(-UA / (m cp)) of a coil in a bed of even temperature (textbook form); 1 without flow."""
    return float(-np.expm1(-ua_w_k / (flow_kg_s * WATER_J_KG_K))) if flow_kg_s > 0.0 else 1.0


def ua_from_effectiveness(flow_kg_s: float, bed_c: float, supply_c: float, return_c: float) -> float:
    """Return UA [W/K] of a steady draw by the inverse of `effectiveness`; NaN where the supply is not in between."""
    if not return_c < supply_c < bed_c:
        return NAN
    return float(-flow_kg_s * WATER_J_KG_K * np.log((bed_c - supply_c) / (bed_c - return_c)))


def identify_coil(
    time_s: ArrayLike,
    flow_kg_s: ArrayLike,
    supply_c: ArrayLike,
    return_c: ArrayLike,
    coil_kg: float = NAN,
    probe_lag_s: float = 0.0,
    probe_lag_sd_s: float = 0.0,
    drum_kg: float = 0.0,
) -> Coil:
    """Fit one draw that begins at rest; columns (n,) in s, kg/s and degC, ``return_c`` already matched to ``supply_c``.

    ``coil_kg`` is the water in the coil by tape measure, NaN if nobody knows it; ``probe_lag_s`` the time constant of
    both water probes and ``probe_lag_sd_s`` its uncertainty: two more fits show what that does to the result. ``drum_kg``
    is the water of a drum in which the last turns lie, 0 for none.
    """
    if not np.isfinite(np.asarray(return_c, dtype=np.float64)).any():
        return _nothing(cannot_tell("no return probe is fitted: how much the water warmed is not known"))
    try:
        t, m, out, back = usable_rows(LEAST_ROWS, time_s, flow_kg_s, supply_c, return_c)
        record = t, np.maximum(m, 0.0), _smooth(out), _smooth(back)
        best, found = _fitted(_Draw.of(*record, probe_lag_s), coil_kg, drum_kg)
        if not (found.verdict.good and probe_lag_sd_s > 0.0):
            return found
        moved = [_Draw.of(*record, probe_lag_s + k * probe_lag_sd_s) for k in (-1.0, 1.0)]
        sides = [_Problem(draw, coil_kg).solved(best.chain, best.at).ua for draw in moved]
        return _less_sure(found, 0.5 * abs(sides[1] - sides[0]))
    except Spoiled as spoiled:
        return _nothing(spoiled.verdict)


def _less_sure(found: Coil, by_w_k: float) -> Coil:
    sd = float(np.hypot(found.ua_sd_w_k, by_w_k))
    verdict = found.verdict if sd <= MOST_SD * found.ua_w_k else SEVERAL
    return found._replace(ua_sd_w_k=sd, verdict=verdict)


def _nothing(verdict: Verdict) -> Coil:
    return Coil(NAN, NAN, NAN, NAN, NAN, NAN, verdict)


def _smooth(values: Floats) -> Floats:
    padded = np.pad(values, 2, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1))


class _Draw(NamedTuple):
    """The record in even steps from the first flow on, the inlet put back by its probe's lag."""

    dt_s: float
    flow: Floats
    out: Floats
    back: Floats
    lag_s: float

    @classmethod
    def of(cls, t: Floats, m: Floats, out: Floats, back: Floats, lag_s: float) -> _Draw:
        first = int(np.argmax(m > 1e-3))
        if not m[first] > 1e-3:
            raise Spoiled(repeat_with("water flowing: none was pumped"))
        lag_s = min(max(lag_s, 0.0), 600.0)
        dt = max(LEAST_STEP_S, float(t[-1] - t[first]) / MOST_STEPS)
        at = np.arange(t[first], t[-1] + 1e-6, dt)
        pumped = np.concatenate([[0.0], np.cumsum(0.5 * (m[1:] + m[:-1]) * np.diff(t))])
        flow = np.diff(np.interp(np.append(at, at[-1] + dt), t, pumped)) / dt
        return cls(dt, flow, np.interp(at, t, out), np.interp(at + lag_s, t, back), lag_s)

    @property
    def pumped_kg(self) -> float:
        return float(self.flow.sum() * self.dt_s)


class _Best(NamedTuple):
    """A fit: what to minimise; log UA, log water, sag, log lag, log UA in the drum; the bed; the covariance of the five."""

    error: float
    chain: Chain
    at: Floats
    bed: float
    fit_k: float
    covariance: Floats

    @property
    def ua(self) -> float:
        return float(np.exp(self.at[0])) + self.drum_ua

    @property
    def drum_ua(self) -> float:
        return float(np.exp(self.at[4])) if self.chain.drum_kg > 0.0 else 0.0

    @property
    def kg(self) -> float:
        return float(np.exp(self.at[1])) + TURNS_KG + JOINT_KG

    @property
    def ua_sd(self) -> float:
        """Of log UA, by noise."""
        share = self.drum_ua / self.ua
        slope = np.array([1.0 - share, 0.0, 0.0, 0.0, share])
        return float(max(slope @ self.covariance @ slope, 0.0) ** 0.5)


def _fitted(draw: _Draw, coil_kg: float, drum_kg: float) -> tuple[_Best, Coil]:
    taped = 0.0 < coil_kg < 1e4
    if draw.out.size < LEAST_ROWS or draw.pumped_kg < 1.0:
        raise Spoiled(repeat_with("a longer draw: hardly any water was pumped"))
    if taped and draw.pumped_kg < PASSED * coil_kg:
        raise Spoiled(MORE_WATER)
    if float(draw.out.max()) - float(np.median(draw.back)) < LEAST_SPAN_K:
        raise Spoiled(cannot_tell("the bed is hardly warmer than the water that enters it"))
    problem = _Problem(draw, coil_kg)
    tried = [problem.solved(Chain(tanks, drum_kg)) for tanks in TANKS]
    best = min(tried, key=lambda found: found.error)
    return best, _weighed(draw, best, float(np.hypot(_rivalry(tried, best), _unevenness(best))), taped)


def _rivalry(tried: list[_Best], best: _Best) -> float:
    """Spread of log UA among the degrees of mixing that fit nearly as well as the best."""
    worse = np.array([found.error / max(best.error, 1e-9) for found in tried])
    apart = np.log([found.ua / best.ua for found in tried])
    weight = np.where(worse < RIVAL, np.exp(1.0 - worse), 0.0)
    return float(np.sqrt(weight @ apart**2 / weight.sum()))


def _unevenness(best: _Best) -> float:
    """By how much log UA may be off in an uneven bed, which seems to cool too fast or too slowly."""
    along = best.covariance[0, 2] / max(best.covariance[2, 2], 1e-12)
    return float(UNEVEN * abs(along * (best.at[2] - SAG_K_J) / SCALE[2]))


class _Problem:
    """Least squares over log UA, log water, sag and log lag, with what is known beforehand as further residuals."""

    def __init__(self, draw: _Draw, coil_kg: float) -> None:
        self._draw, self._rows = draw, slice(_faded(draw), None)
        taped = 0.0 < coil_kg < 1e4
        self._known = np.array([
            np.log(coil_kg) if taped else np.log(max(0.6 * draw.pumped_kg, LEAST_KG)),
            SAG_K_J, np.log(max(draw.lag_s, 5.0)), np.log(DRUM_UA),
        ])  # fmt: skip
        tape_sd = float(np.hypot(TAPE_SD, TAPE_SD_KG / coil_kg)) if taped else 3.0
        self._known_sd = np.array([tape_sd, SAG_K_J, 0.5, DRUM_UA_SD])

    def solved(self, chain: Chain, near: Floats | None = None) -> _Best:
        """Return the best fit: from a coarse grid or ``near``, damped Gauss-Newton steps (Marquardt 1963)."""
        at = self._coarse(chain) if near is None else near
        rest, bed, slopes = self._linear(chain, at)
        damping = 1e-2
        for _ in range(STEPS):
            normal = slopes.T @ slopes
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-9), slopes.T @ rest)
            new = self._inside(at - np.clip(step, -0.5, 0.5) * SCALE)
            new_rest, new_bed, new_slopes = self._linear(chain, new)
            if new_rest @ new_rest < rest @ rest:
                gain = 1.0 - float(new_rest @ new_rest) / float(rest @ rest)
                at, rest, bed, slopes, damping = new, new_rest, new_bed, new_slopes, 0.3 * damping
                if gain < 1e-4:
                    break
            else:
                damping *= 8.0
        data = rest[: -self._known.size]
        spread = max(float(data @ data) / data.size, 1.0) * hanging_together(data)
        covariance = np.asarray(np.linalg.pinv(slopes.T @ slopes) * spread, dtype=np.float64)
        return _Best(float(rest @ rest), chain, at, bed, float(np.sqrt(np.mean(data**2)) * FIT_SD_K), covariance)

    def _coarse(self, chain: Chain) -> Floats:
        uas = np.log(np.geomspace(40.0, 2500.0, 8))
        masses = self._known[0] + (np.zeros(1) if self._known_sd[0] < 1.0 else np.linspace(-1.5, 0.4, 6))
        grid = np.array([(ua, kg, SAG_K_J, *self._known[2:]) for ua in uas for kg in masses])
        rest, _ = self._residuals(chain, grid)
        return np.asarray(grid[int((rest**2).sum(axis=0).argmin())])

    def _inside(self, at: Floats) -> Floats:
        most_kg = np.log(1.2 * self._draw.pumped_kg + 2.0)
        most = np.array([np.log(MOST_UA), most_kg, MOST_SAG_K_J, np.log(300.0), np.log(0.5 * MOST_UA)])
        return np.clip(at, (np.log(LEAST_UA), np.log(LEAST_KG), 0.0, 0.0, 0.0), most)

    def _linear(self, chain: Chain, at: Floats) -> tuple[Floats, float, Floats]:
        """Residuals, bed and scaled slopes at one point, all from one run of six guesses."""
        moved = at + np.vstack([np.zeros(SCALE.size), 0.01 * np.diag(SCALE)])
        rest, bed = self._residuals(chain, moved)
        return rest[:, 0], float(bed[0]), (rest[:, 1:] - rest[:, :1]) / 0.01

    def _residuals(self, chain: Chain, at: Floats) -> tuple[Floats, Floats]:
        """Residuals (rows, g) in units of their expected size and the best bed temperature (g,), guesses (g, 5)."""
        draw, rows = self._draw, self._rows
        guesses = Guesses(np.exp(at[:, 0]), np.exp(at[:, 4]), np.exp(at[:, 1]), at[:, 2])
        of_bed, of_inlet = outlet(guesses, chain, draw.dt_s, draw.flow, draw.back)
        lag_s = np.exp(at[:, 3])
        of_bed, of_inlet = lagged(of_bed, draw.dt_s, lag_s)[rows], lagged(of_inlet, draw.dt_s, lag_s)[rows]
        rest = draw.out[rows, None] - of_inlet
        bed = (of_bed * rest).sum(axis=0) / np.maximum((of_bed * of_bed).sum(axis=0), 1e-12)
        known = (at[:, 1:] - self._known) / self._known_sd
        return np.vstack([(rest - bed * of_bed) / FIT_SD_K, known.T]), bed


def _faded(draw: _Draw) -> int:
    """First row at which the cold water that stood at the supply probe has faded: the supply is at its hottest."""
    return min(int(np.argmax(draw.out >= draw.out.max() - 0.3)), draw.out.size - LEAST_ROWS // 2)


def _weighed(draw: _Draw, best: _Best, model_sd: float, taped: bool) -> Coil:
    flow = float(np.median(draw.flow[draw.flow > 1e-3]))
    ntu = best.ua / (flow * WATER_J_KG_K)
    span = best.bed - float(np.median(draw.back))
    by_probe = PROBE_SD_K * np.sqrt(2.0) / max(ntu * span * np.exp(-ntu), 1e-6)
    sd = best.ua * float(np.sqrt(best.ua_sd**2 + by_probe**2 + FLOW_SD**2 + MODEL_SD**2 + model_sd**2))
    verdict = _judged(draw, best, sd, ntu, taped)
    return Coil(
        best.ua, sd, best.kg, best.bed, float(best.at[2]), best.fit_k, verdict, best.chain.tanks, best.drum_ua
    )  # fmt: skip


def _judged(draw: _Draw, best: _Best, sd: float, ntu: float, taped: bool) -> Verdict:
    if best.fit_k > 1.0:
        return cannot_tell("the supply does not follow the return as a coil in an even bed would")
    if best.kg > draw.pumped_kg / (PASSED_WELL if taped else PASSED_BLIND):
        return MORE_WATER
    if ntu > MOST_NTU or best.ua > 0.97 * MOST_UA:
        return repeat_with("more flow: the water came out as hot as the bed, however good the coil is")
    if sd > MOST_SD * best.ua:
        return SEVERAL
    return good(f"{best.ua:.0f} W/K while the bed is fresh")
