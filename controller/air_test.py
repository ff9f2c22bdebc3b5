"""Airless, dry or spent? A few pulses of air into a pile that rests and does not recover, and what it answers.

A pile short of air warms within hours of it. One that does not answer is dry when the air that leaves it is not wet, and
spent when it is. Without a duct humidity probe the last two cannot be told apart. An oxygen probe, where fitted, answers
the first question at once. A correlation never does: piles seem to follow the weather that they do not feel.
(The tests are growers' practice; the thresholds are own judgement.)
"""

from __future__ import annotations

from math import nan

from controller.memory import Memory

NONE, AIRLESS, DRY, SPENT, UNCLEAR = "", "airless", "dry", "spent", "unclear"
QUIET, PULSING, WAITING = "quiet", "pulsing", "waiting"
DAY_S = 86400.0
REST_S = 5 * DAY_S
AGAIN_S = 10 * DAY_S
PULSES_S = 6 * 3600.0
PULSE_EVERY_S, PULSE_S, PULSE_DUTY = 1800.0, 60.0, 0.35  # some 2 MJ in all: more would chill a small pile
ROOM_K = 3.0  # above its floor: a pile nearer to it is not tried
WAIT_S = 12 * 3600.0
ANSWER_K_DAY = 1.5  # by how much the trend must turn upward
STILL_K_DAY = 0.3  # a pile that climbs faster recovers by itself
STEADY_K = 5.0  # a greater change outdoors spoils the test
DRY_RH, WET_RH = 0.70, 0.85  # at the end of the duct: wet pile air that cools on the way stays near saturation
NO_OXYGEN, OXYGEN_BACK, NO_OXYGEN_S = 0.03, 0.06, DAY_S  # a young pile uses it up for hours without harm


class AirTest(Memory):
    """The test as a small machine; ``verdict`` is what the last one found."""

    __slots__ = ("before_k_day", "oxygen_s", "outdoor_c", "rh", "since_s", "state", "state_s", "verdict")

    def __init__(self) -> None:
        self.state = QUIET
        self.state_s = 0.0
        self.since_s = AGAIN_S
        self.before_k_day = nan
        self.outdoor_c = nan
        self.rh = nan
        self.oxygen_s = 0.0
        self.verdict = NONE

    def wants_air(self, since_s: float) -> bool:
        """Tell whether a pulse of the test is due ``since_s`` after the last update."""
        return self.state == PULSING and (self.state_s + since_s) % PULSE_EVERY_S < PULSE_S

    def update(self, rests_s: float, trend_k_day: float, outdoor_c: float, may: bool, elapsed_s: float) -> None:
        """Take for how long the pile has rested [s], its trend and the air outdoors; ``may``: the fan may blow.

        A draw ends the test, and a pile that is drawn again has recovered: then the verdict is forgotten.
        """
        self.since_s += elapsed_s
        self.state_s += elapsed_s
        if rests_s <= 0.0:
            self.state, self.verdict = QUIET, NONE
        elif self.state == QUIET:
            due = rests_s >= REST_S and self.since_s >= AGAIN_S and trend_k_day < STILL_K_DAY
            if due and may and outdoor_c == outdoor_c:
                self._begin(trend_k_day, outdoor_c)
        elif abs(outdoor_c - self.outdoor_c) > STEADY_K or (self.state == PULSING and not may):
            self.state, self.since_s = QUIET, AGAIN_S - DAY_S  # spoilt: once more tomorrow
        elif self.state == PULSING and self.state_s >= PULSES_S:
            self.state, self.state_s = WAITING, 0.0
        elif self.state == WAITING and self.state_s >= WAIT_S:
            self.state, self.since_s = QUIET, 0.0
            self.verdict = told(self.before_k_day, trend_k_day, self.rh)

    def sniff(self, rh: float) -> None:
        """Take the humidity of the air that a pulse brings; the wettest counts, since the probe lags and mixes."""
        if rh > self.rh or self.rh != self.rh:
            self.rh = rh

    def smell(self, pile_o2: float, elapsed_s: float) -> None:
        """Take the oxygen in the pile, NaN where none is measured."""
        if pile_o2 < NO_OXYGEN:
            self.oxygen_s += elapsed_s
        elif pile_o2 > OXYGEN_BACK:
            self.oxygen_s = 0.0

    @property
    def airless(self) -> bool:
        """Whether the pile lacks air, by its oxygen or by the test."""
        return self.oxygen_s >= NO_OXYGEN_S or self.verdict == AIRLESS

    def _begin(self, trend_k_day: float, outdoor_c: float) -> None:
        self.state, self.state_s = PULSING, 0.0
        self.before_k_day, self.outdoor_c, self.rh = trend_k_day, outdoor_c, nan


def told(before_k_day: float, after_k_day: float, rh: float) -> str:
    """Return what the trends before and after the air [K/day] and the humidity of the exhaust (NaN: unknown) say."""
    if after_k_day > STILL_K_DAY and after_k_day - before_k_day > ANSWER_K_DAY:
        return AIRLESS
    if not after_k_day <= STILL_K_DAY or not (rh < DRY_RH or rh >= WET_RH):
        return UNCLEAR
    return DRY if rh < DRY_RH else SPENT
