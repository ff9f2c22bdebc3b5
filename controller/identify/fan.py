"""The fan's curve by its tachometer."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from controller.identify.motor import MotorCurve, identify_motor, no_curve
from controller.identify.verdict import cannot_tell

LEAST_HZ = 1.0


def identify_fan(
    time_s: ArrayLike, duty: ArrayLike, speed_hz: ArrayLike, volts: ArrayLike, settle_s: float = 3.0
) -> MotorCurve:
    """Return the fan's speed over duty from a staircase; columns (n,) in s, 0..1, revolutions per second and V.

    Air flow follows speed in proportion (affinity laws); its scale is not seen here.
    """
    if not np.isfinite(np.asarray(speed_hz, dtype=np.float64)).any():
        return no_curve(cannot_tell("no tachometer is fitted; starting and running duty stay as they were set"))
    return identify_motor(time_s, duty, speed_hz, volts, settle_s, "tachometer", "fan", LEAST_HZ)
