"""Many sampled control loops at once: exact margins and exact answers in time.

A loop is a PI called every ``tick_s`` with its output held in between, before a process of one or two lags and a dead
time. The held process has a closed form, dead time included whether or not it is a whole number of ticks (Astrom and
Wittenmark, Computer-Controlled Systems, ch. 2; from memory), so nothing is approximated: neither delay nor hold. A
disturbance enters where the controller's output does.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from controller.tuning_rules import Gains, Process

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]
Bools = NDArray[np.bool_]

POINTS = 700
LOWEST = 1e-3  # of the inverse of all times together: far below where any sane loop crosses
EQUAL = 1e-3  # lags nearer to each other than this share are set apart, or the partial fractions lose their digits


class Loops(NamedTuple):
    """``n`` loops: columns (n,) in output per input and s; ``integral`` in input per output and second."""

    gain: Floats
    lag_s: Floats
    lag2_s: Floats
    delay_s: Floats
    proportional: Floats
    integral: Floats
    tick_s: float

    def drifted(self, gain: float, delay: float) -> Loops:
        """Return the same loops with plant gain and dead time multiplied."""
        return self._replace(gain=self.gain * gain, delay_s=self.delay_s * delay)


class LoopMargins(NamedTuple):
    """As `controller.margins.Margins`, (n,) each; ``stable`` counts encirclements, so it holds for any crossing."""

    gain_margin: Floats
    phase_margin_deg: Floats
    peak_sensitivity: Floats
    stable: Bools


class Answers(NamedTuple):
    """Measured output without noise, and what the controller put out; (n, ticks) each."""

    output: Floats
    given: Floats


def loops_of(processes: Sequence[Process], gains: Sequence[Gains], tick_s: float) -> Loops:
    """Put processes and PI gains together, one of each a loop."""
    plants = np.array([(p.gain, p.lag_s, p.lag2_s, p.delay_s) for p in processes], dtype=np.float64).T
    settings = np.array([(g.gain, g.integral_gain) for g in gains], dtype=np.float64).T
    gain, lag_s, lag2_s, delay_s = plants
    proportional, integral = settings
    return Loops(gain, lag_s, lag2_s, delay_s, proportional, integral, tick_s)


class _Part(NamedTuple):
    """One lag of the held process, as share ((1 - early) + (early - decay) / z) / (1 - decay / z)."""

    share: Floats
    decay: Floats
    early: Floats


def _parts(loops: Loops) -> list[_Part]:
    first = loops.lag_s
    near = np.abs(loops.lag2_s - first) < EQUAL * first
    second = np.where(near, first * (1.0 - EQUAL), loops.lag2_s)
    rest_s = loops.tick_s - (loops.delay_s - _whole_ticks(loops) * loops.tick_s)
    parts = []
    for share, lag_s in ((first / (first - second), first), (-second / (first - second), second)):
        safe_s = np.maximum(lag_s, 1e-6)
        parts.append(_Part(share, np.exp(-loops.tick_s / safe_s), np.exp(-np.maximum(rest_s, 0.0) / safe_s)))
    return parts


def _whole_ticks(loops: Loops) -> NDArray[np.int64]:
    return np.floor(loops.delay_s / loops.tick_s + 1e-9).astype(np.int64)


def frequencies(loops: Loops, points: int = POINTS) -> Floats:
    """Angular frequencies for each loop, even in their logarithm up to half the sampling rate. (n, points) [rad/s]"""
    all_s = loops.lag_s + loops.lag2_s + loops.delay_s + loops.tick_s
    return np.asarray(np.geomspace(LOWEST / all_s, np.full_like(all_s, np.pi / loops.tick_s), points, axis=1))


def open_loop(loops: Loops, omega: Floats) -> Complex:
    """Exact frequency response of controller, hold and process. (n, m) for ``omega`` of (n, m) [rad/s]"""
    back = np.exp(-1j * omega * loops.tick_s)
    plant = sum(
        part.share[:, None]
        * ((1.0 - part.early)[:, None] + (part.early - part.decay)[:, None] * back)
        / (1.0 - part.decay[:, None] * back)
        for part in _parts(loops)
    )
    turn = back ** (_whole_ticks(loops)[:, None] + 1)
    control = loops.proportional[:, None] + loops.integral[:, None] * loops.tick_s / (1.0 - back)
    return np.asarray(loops.gain[:, None] * plant * turn * control)


def margins_of(loops: Loops, points: int = POINTS) -> LoopMargins:
    """Return gain margin, phase margin, maximum sensitivity and stability of each loop, from ``points`` frequencies."""
    loop = open_loop(loops, frequencies(loops, points))
    return LoopMargins(_gain_margin(loop), _phase_margin_deg(loop), _peak(1.0 / np.abs(1.0 + loop)), _stable(loop))


def _gain_margin(loop: Complex) -> Floats:
    """Least factor that takes the response through -1; at half the sampling rate it is real, a crossing too."""
    real, imag = loop.real, loop.imag.copy()
    imag[:, -1] = 0.0
    crossed = np.signbit(imag[:, :-1]) != np.signbit(imag[:, 1:])
    step = np.where(crossed, imag[:, :-1] - imag[:, 1:], 1.0)
    at = real[:, :-1] + imag[:, :-1] / np.where(step == 0.0, 1.0, step) * np.diff(real, axis=1)
    deepest = np.where(crossed, -at, 0.0).max(axis=1)
    deepest = np.maximum(deepest, -real[:, -1])
    return np.asarray(np.divide(1.0, deepest, out=np.full(deepest.shape, np.inf), where=deepest > 0.0))


def _phase_margin_deg(loop: Complex) -> Floats:
    size = np.log(np.abs(loop))
    crossed = np.signbit(size[:, :-1]) != np.signbit(size[:, 1:])
    step = np.where(crossed, size[:, :-1] - size[:, 1:], 1.0)
    at = loop[:, :-1] + size[:, :-1] / step * np.diff(loop, axis=1)
    return np.asarray(np.where(crossed, np.degrees(np.angle(-at)), np.inf).min(axis=1))


def _peak(values: Floats) -> Floats:
    """Largest of each row, refined by the parabola through it and its neighbours."""
    rows, highest = np.arange(values.shape[0]), values.argmax(axis=1)
    top = np.clip(highest, 1, values.shape[1] - 2)
    left, middle, right = (values[rows, top + k] for k in (-1, 0, 1))
    bend = left - 2.0 * middle + right
    inside = (highest == top) & (bend < 0.0)  # a peak at half the sampling rate is exact as it stands
    above = np.where(inside, (right - left) ** 2 / (-8.0 * np.where(inside, bend, -1.0)), 0.0)
    return np.asarray(values.max(axis=1) + above)


def _stable(loop: Complex) -> Bools:
    """Nyquist: 1 + L starts straight down (one integrator) and must end at angle 0, not a turn away from it."""
    angle = np.unwrap(np.angle(1.0 + loop), axis=1)
    return np.asarray((np.abs(angle[:, -1]) < 0.5) & (angle[:, 0] < 0.0))


def answers(loops: Loops, target: Floats, load: Floats, noise: Floats) -> Answers:
    """Run all loops from rest; ``target``, ``load`` and ``noise`` broadcast to (n, ticks).

    ``target`` and ``noise`` are in the output's unit, ``load`` in the controller's output's, added to it.
    """
    shape = np.broadcast_shapes((loops.gain.size, 1), target.shape, load.shape, noise.shape)
    target, load, noise = (np.broadcast_to(column, shape) for column in (target, load, noise))
    parts, whole = _parts(loops), _whole_ticks(loops)
    before = int(whole.max()) + 1
    acted = np.zeros((shape[0], before + shape[1]))
    rows, output, given = np.arange(shape[0]), np.zeros(shape), np.zeros(shape)
    inner = [np.zeros(shape[0]) for _ in parts]
    summed = np.zeros(shape[0])
    for k in range(shape[1]):
        output[:, k] = loops.gain * sum(part.share * x for part, x in zip(parts, inner, strict=True))
        error = target[:, k] - output[:, k] - noise[:, k]
        summed = summed + loops.integral * loops.tick_s * error
        given[:, k] = loops.proportional * error + summed
        acted[:, before + k] = given[:, k] + load[:, k]
        now, last = acted[rows, before + k - whole], acted[rows, before + k - whole - 1]
        inner = [
            part.decay * x + (1.0 - part.early) * now + (part.early - part.decay) * last
            for part, x in zip(parts, inner, strict=True)
        ]
    return Answers(output, given)
