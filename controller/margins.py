"""How far a loop is from swinging: gain margin, phase margin and maximum sensitivity from its frequency response.

The response is taken exactly, dead time included, on a dense grid; no rational approximation of the delay is made.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from controller.tuning_rules import Gains, Process

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]
Response = Callable[[Floats], Complex]

POINTS = 20_000


class Margins(NamedTuple):
    """Margins of a loop whose open chain is stable but for integrators.

    ``gain_margin`` is the factor by which the gain may rise, ``phase_margin_deg`` the phase that may be lost,
    ``peak_sensitivity`` the largest of 1/abs(1 + L) (Ms). Infinite where the loop never crosses.
    """

    gain_margin: float
    phase_margin_deg: float
    peak_sensitivity: float

    @property
    def stable(self) -> bool:
        """Whether the closed loop is stable (holds for loops that cross once, as ours do)."""
        return self.gain_margin > 1.0 and self.phase_margin_deg > 0.0


def margins(response: Response, low_rad_s: float, high_rad_s: float) -> Margins:
    """Return the margins of the open loop ``response`` over ``low_rad_s`` .. ``high_rad_s``, which must hold all crossings.

    ``response`` maps angular frequencies [rad/s], (n,), to complex values, (n,).
    """
    omega = np.geomspace(low_rad_s, high_rad_s, POINTS)
    loop = response(omega)
    size, phase = np.log(np.abs(loop)), np.unwrap(np.angle(loop))
    turns = phase / np.pi
    at_minus_one = size[:-1] + _share(turns, _odd(turns)) * np.diff(size)
    gain = np.exp(-at_minus_one[_crossed(_odd(turns))])
    unity = np.flatnonzero(np.diff(np.sign(size)) != 0)
    at_unity = phase[unity] - size[unity] * (phase[unity + 1] - phase[unity]) / (size[unity + 1] - size[unity])
    left_deg = np.degrees((at_unity % (2.0 * np.pi)) - np.pi)
    return Margins(
        float(gain.min(initial=np.inf)),
        float(left_deg.min(initial=np.inf)),
        float((1.0 / np.abs(1.0 + loop)).max()),
    )


def _odd(turns: Floats) -> Floats:
    """Which interval between neighbouring odd multiples of a half turn each phase lies in."""
    return np.floor((turns + 1.0) / 2.0)


def _crossed(interval: Floats) -> NDArray[np.bool_]:
    return np.asarray(np.diff(interval) != 0.0)


def _share(turns: Floats, interval: Floats) -> Floats:
    """How far into each grid step the phase passes an odd multiple of a half turn."""
    step = np.diff(turns)
    target = 2.0 * np.maximum(interval[:-1], interval[1:]) - 1.0
    return (target - turns[:-1]) / np.where(step == 0.0, 1.0, step)


def loop_of(process: Process, gains: Gains, hold_s: float = 0.0) -> Response:
    """Return the open loop of a process and a PI or cascade PID.

    ``hold_s`` is added to the dead time; a controller called every T seconds holds its output for T / 2 on average.
    """

    def response(omega: Floats) -> Complex:
        s = 1j * omega
        plant = process.gain * np.exp(-(process.delay_s + hold_s) * s)
        plant /= (process.lag_s * s + 1.0) * (process.lag2_s * s + 1.0)
        control = gains.gain * (1.0 + 1.0 / (gains.integral_s * s)) * (gains.derivative_s * s + 1.0)
        return np.asarray(plant * control, dtype=np.complex128)

    return response
