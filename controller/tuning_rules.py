"""Published rules that turn a simple process model into controller gains.

Gains carry the units of output per input of the loop they are for; times are in seconds. The sources are

S. Skogestad, "Simple analytic rules for model reduction and PID controller tuning", J. Process Control 13 (2003) 291
(SIMC, half rule); C. Grimholt, S. Skogestad, "Optimal PI-control and verification of the SIMC tuning rule", IFAC PID'12
(improved SIMC); J. G. Ziegler, N. B. Nichols, "Optimum settings for automatic controllers", Trans. ASME 64 (1942) 759.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import NamedTuple

INTEGRAL_PER_CLOSED_LOOP = 4.0  # SIMC: integral time at most this many (tau_c + theta), against slow disturbances


class Process(NamedTuple):
    """Gain, one or two lags and a dead time: gain exp(-delay_s s) / ((lag_s s + 1)(lag2_s s + 1))."""

    gain: float
    lag_s: float
    delay_s: float
    lag2_s: float = 0.0


class Gains(NamedTuple):
    """A PI or PID controller in cascade (series) form: gain (1 + 1/(integral_s s)) (derivative_s s + 1)."""

    gain: float
    integral_s: float
    derivative_s: float = 0.0

    @property
    def integral_gain(self) -> float:
        """Gain of the pure integral, output per input and second."""
        return self.gain / self.integral_s

    def parallel(self) -> Gains:
        """Return the same controller in ideal form, gain (1 + 1/(integral_s s) + derivative_s s)."""
        factor = 1.0 + self.derivative_s / self.integral_s
        return Gains(self.gain * factor, self.integral_s * factor, self.derivative_s / factor)


def half_rule(
    gain: float,
    lags_s: Sequence[float],
    delay_s: float = 0.0,
    inverse_s: Sequence[float] = (),
    lead_s: Sequence[float] = (),
    order: int = 1,
) -> Process:
    """Reduce lags, dead time, inverse responses and leads to one or two lags and a dead time (Skogestad 2003).

    The largest lag that is dropped gives half of itself to the smallest that is kept and half to the dead time;
    all smaller ones go to the dead time, and so do the ``inverse_s`` of (-T s + 1). A lead (T s + 1) first shortens the
    smallest lag that is at least as long (the paper's rule T3). ``ValueError`` for a negative time, for an order
    other than 1 or 2, for no lag at all, and for a lead longer than every lag.
    """
    if order not in (1, 2):
        raise ValueError(f"order = {order}: must be 1 or 2")
    for name, times in (("lags_s", lags_s), ("inverse_s", inverse_s), ("lead_s", lead_s), ("delay_s", (delay_s,))):
        for time in times:
            _check_time(name, time)
    lags = sorted(_shortened(list(lags_s), lead_s), reverse=True)
    if not lags:
        raise ValueError("lags_s is empty: a process without any lag needs no half rule")
    kept, dropped = lags[:order], lags[order:]
    kept += [0.0] * (order - len(kept))
    half = 0.5 * dropped[0] if dropped else 0.0
    kept[-1] += half
    return Process(gain, kept[0], delay_s + half + sum(dropped[1:]) + sum(inverse_s), kept[1] if order == 2 else 0.0)


def _shortened(lags_s: list[float], lead_s: Sequence[float]) -> list[float]:
    for lead in sorted(lead_s, reverse=True):
        longer = [lag for lag in lags_s if lag >= lead]
        if not longer:
            raise ValueError(f"lead_s = {lead}: longer than every lag; this rule cannot reduce such a process")
        lags_s[lags_s.index(min(longer))] -= lead
    return lags_s


def simc_pi(process: Process, closed_loop_s: float) -> Gains:
    """SIMC for one lag and dead time. ``closed_loop_s`` is the wanted time constant tau_c; tau_c = delay is tight.

    Kc = tau1 / (k (tau_c + theta)), tau_I = min(tau1, 4 (tau_c + theta)). ``ValueError`` for a gain of zero, a
    lag of zero, or tau_c + theta of zero.
    """
    answer_s = _answer_s(process.gain, process.delay_s, closed_loop_s)
    _check_positive("lag_s", process.lag_s)
    return Gains(process.lag_s / (process.gain * answer_s), min(process.lag_s, INTEGRAL_PER_CLOSED_LOOP * answer_s))


def simc_pid(process: Process, closed_loop_s: float) -> Gains:
    """SIMC for two lags and dead time, cascade form: as `simc_pi`, with tau_D = tau2 (the shorter lag)."""
    lags = sorted((process.lag_s, process.lag2_s))
    pi = simc_pi(Process(process.gain, lags[1], process.delay_s), closed_loop_s)
    return Gains(pi.gain, pi.integral_s, lags[0])


def improved_simc_pi(process: Process, closed_loop_s: float) -> Gains:
    """Improved SIMC: as `simc_pi` with tau1 + theta / 3 in place of tau1; gives dead-time processes some gain."""
    return simc_pi(Process(process.gain, process.lag_s + process.delay_s / 3.0, process.delay_s), closed_loop_s)


def simc_integrating_pi(slope_gain: float, delay_s: float, closed_loop_s: float, lag2_s: float = 0.0) -> Gains:
    """SIMC for slope_gain exp(-theta s) / (s (lag2_s s + 1)): Kc = 1 / (k' (tau_c + theta)), tau_I = 4 (tau_c + theta).

    ``slope_gain`` is the rate of change of the output for one unit of input, 1/s.
    """
    answer_s = _answer_s(slope_gain, delay_s, closed_loop_s)
    _check_time("lag2_s", lag2_s)
    return Gains(1.0 / (slope_gain * answer_s), INTEGRAL_PER_CLOSED_LOOP * answer_s, lag2_s)


def lambda_pi(process: Process, closed_loop_s: float) -> Gains:
    """Lambda tuning (IMC): Kc = tau / (k (lambda + theta)), Ti = tau; without dead time the plant's pole is cancelled."""
    answer_s = _answer_s(process.gain, process.delay_s, closed_loop_s)
    _check_positive("lag_s", process.lag_s)
    return Gains(process.lag_s / (process.gain * answer_s), process.lag_s)


def ziegler_nichols_pi(ultimate_gain: float, ultimate_period_s: float) -> Gains:
    """Ziegler and Nichols from the gain and the period of steady swinging: 0.45 Ku, Tu / 1.2. Lively; for reference."""
    _check_positive("ultimate_period_s", ultimate_period_s)
    return Gains(0.45 * ultimate_gain, ultimate_period_s / 1.2)


def ziegler_nichols_pid(ultimate_gain: float, ultimate_period_s: float) -> Gains:
    """Ziegler and Nichols' PID in *ideal* form: 0.6 Ku, Tu / 2, Tu / 8."""
    _check_positive("ultimate_period_s", ultimate_period_s)
    return Gains(0.6 * ultimate_gain, ultimate_period_s / 2.0, ultimate_period_s / 8.0)


def _answer_s(gain: float, delay_s: float, closed_loop_s: float) -> float:
    if not isfinite(gain) or gain == 0.0:
        raise ValueError(f"gain = {gain}: must be finite and not zero")
    _check_time("delay_s", delay_s)
    _check_time("closed_loop_s", closed_loop_s)
    _check_positive("closed_loop_s + delay_s", closed_loop_s + delay_s)
    return closed_loop_s + delay_s


def _check_time(name: str, value: float) -> None:
    if not (isfinite(value) and value >= 0.0):
        raise ValueError(f"{name} = {value}: must be a finite time of 0 s or more")


def _check_positive(name: str, value: float) -> None:
    if not (isfinite(value) and value > 0.0):
        raise ValueError(f"{name} = {value}: must be above 0 s")
