"""Which of the two lags of a start is the probe's, and which the water that is washed out at it: weighed, not decided."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from controller.identify.coil_model import JOINT_KG
from controller.identify.dead_time import DeadTimeFit

PROBE_S, SPREAD = (
    25.0,
    0.35,
)  # of a probe in a pocket or on the pipe; its logarithm's spread, and that of the water's mass
SURE_SD = 0.1  # of the lag, however clear the case
UNKNOWN_S, UNKNOWN_SD_S = 25.0, 8.0


class ProbeLag(NamedTuple):
    """Time constant of the water probes and its standard uncertainty [s]."""

    lag_s: float
    sd_s: float


def probe_lag(start: DeadTimeFit, flow_kg_s: float) -> ProbeLag:
    """Read the probe's lag off a start at ``flow_kg_s``, fitted by `identify_two_lags`.

    The half rule is undone: the shorter lag is twice the dead time. Either may be the probe's. Each case is weighed by how
    usual the probe would be and how usual the water between coil and probe (log-normal, own judgement).
    """
    short_s, long_s = 2.0 * start.delay_s, start.lag_s - start.delay_s
    if not (short_s > 0.0 and long_s > 0.0 and flow_kg_s > 0.0):
        return ProbeLag(UNKNOWN_S, UNKNOWN_SD_S)
    probe = np.array([short_s, long_s])
    water_kg = probe[::-1] * flow_kg_s
    far = np.log(probe / PROBE_S) ** 2 + np.log(water_kg / JOINT_KG) ** 2
    weight = np.exp(-0.5 * (far - far.min()) / SPREAD**2)
    weight /= weight.sum()
    lag = float(weight @ probe)
    return ProbeLag(lag, float(np.hypot(np.sqrt(weight @ (probe - lag) ** 2), SURE_SD * lag)))
