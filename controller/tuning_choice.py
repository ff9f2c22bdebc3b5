"""From what was found of a process to gains: SIMC, slower by as much as the finding is uncertain; or the old."""

from __future__ import annotations

from typing import NamedTuple

from controller.identify.dead_time import DeadTimeFit
from controller.tuning_rules import Gains, Process, simc_pi

CLOSED_LOOP_DELAYS = 3.0  # wanted time constant of the closed loop in dead times; 1 is SIMC's tight choice
CAUTION_SD = 1.0  # gain and dead time are taken this many standard uncertainties larger, the lag shorter
LEAST_LAG_SHARE = 0.2  # of the lag found, however uncertain


class Rule(NamedTuple):
    """How fast the closed loop is to be, in dead times (hold included), and how cautious about what is uncertain."""

    closed_loop_delays: float = CLOSED_LOOP_DELAYS
    caution_sd: float = CAUTION_SD


class Tuning(NamedTuple):
    """Gains to use; ``why`` says in a sentence where they come from."""

    gains: Gains
    kept_old: bool
    why: str


def cautious_gains(
    found: Process, gain_sd: float, lag_sd_s: float, delay_sd_s: float, tick_s: float, rule: Rule
) -> Gains:
    """SIMC (Skogestad 2003) for the least kind plant that the finding allows within ``rule.caution_sd``.

    That is one of more gain, more dead time and less lag. The lag moves both gain and integral time, so a lag that is hardly
    known, in a loop of mostly dead time, costs nothing: the integral gain does not hold it.
    """
    c = rule.caution_sd
    lag_s = max(found.lag_s - c * lag_sd_s, LEAST_LAG_SHARE * found.lag_s)
    delay_s = found.delay_s + c * delay_sd_s + 0.5 * tick_s
    size = 1.0 + c * gain_sd / abs(found.gain)
    return simc_pi(Process(found.gain * size, lag_s, delay_s), rule.closed_loop_delays * delay_s)


def tuned_from_fit(fit: DeadTimeFit, old: Gains, tick_s: float, rule: Rule = Rule()) -> Tuning:  # noqa: B008
    """Return gains from one identification; a spoiled one, or one against the direction of ``old``, keeps ``old``."""
    if not fit.verdict.good:
        return Tuning(old, True, f"The old gains stay. {fit.verdict.reason}")
    if fit.gain * old.gain <= 0.0:
        sides = ("rises", "falls") if fit.gain > 0.0 else ("falls", "rises")
        return Tuning(old, True, f"The old gains stay. The answer {sides[0]} where it must {_bare(sides[1])}.")
    gains = cautious_gains(fit.process, fit.gain_sd, fit.lag_sd_s, fit.delay_sd_s, tick_s, rule)
    word = (
        f"closed loop of {rule.closed_loop_delays:g} dead times, {rule.caution_sd:g} standard uncertainties of caution"
    )
    return Tuning(gains, False, f"New gains by SIMC: {word}.")


def _bare(verb: str) -> str:
    return {"rises": "rise", "falls": "fall"}[verb]
