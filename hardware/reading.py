"""One value of one sensor, with its age and whether it may be believed."""

from __future__ import annotations

from dataclasses import dataclass
from math import nan

GOOD = "good"
STALE = "stale"  # was good, but too long ago
BAD = "bad"  # the sensor answers, but what it says cannot be so
ABSENT = "absent"  # no answer at all

Si = float  # a value in the SI unit of its quantity, temperatures in degC


@dataclass(frozen=True, slots=True)
class Reading:
    """A value in SI units (temperatures in degC); NaN unless ``quality`` is "good". ``why`` tells what is wrong."""

    value: Si = nan
    age_s: float = nan
    quality: str = ABSENT
    why: str = "never read"


def aged(reading: Reading, age_s: float, stale_after_s: float) -> Reading:
    """The same reading ``age_s`` later: one that is too old is no reading any more."""
    if reading.quality == GOOD and age_s > stale_after_s:
        return Reading(nan, age_s, STALE, f"last good reading {age_s:.0f} s ago")
    return Reading(reading.value, age_s, reading.quality, reading.why)
