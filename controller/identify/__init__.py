"""What a guided test shows of the plant: closed forms and least squares in numpy, each with an honest verdict."""

from controller.identify.coil import Coil, identify_coil
from controller.identify.dead_time import DeadTimeFit, identify_dead_time
from controller.identify.decay import Decay, identify_decay
from controller.identify.fan import identify_fan
from controller.identify.motor import MotorCurve
from controller.identify.probe_lag import ProbeLag, probe_lag
from controller.identify.probes import Match, match_probes
from controller.identify.pump import (
    Bucket,
    Meter,
    corrected_by_bucket,
    identify_pump,
    identify_pump_by_bucket,
    meter_scale,
)
from controller.identify.two_lags import identify_two_lags
from controller.identify.verdict import GOOD, REPEAT, UNKNOWN, Verdict

__all__ = [
    "GOOD",
    "REPEAT",
    "UNKNOWN",
    "Bucket",
    "Coil",
    "DeadTimeFit",
    "Decay",
    "Match",
    "Meter",
    "MotorCurve",
    "ProbeLag",
    "Verdict",
    "corrected_by_bucket",
    "identify_coil",
    "identify_dead_time",
    "identify_decay",
    "identify_fan",
    "identify_pump",
    "identify_pump_by_bucket",
    "identify_two_lags",
    "match_probes",
    "meter_scale",
    "probe_lag",
]
