"""The gains of a random plant by the rule that commissioning uses (`controller.tuning_choice`), and those of tight SIMC."""

from __future__ import annotations

from controller.tuning_choice import Rule, cautious_gains
from controller.tuning_rules import Gains, Process, simc_pi
from sim.tuning_plants import Design, RandomPlant, reduced


def tight_gains(process: Process, tick_s: float) -> Gains:
    """Return SIMC's tight setting (tau_c = theta, Skogestad 2003); half a tick of hold counts as dead time."""
    simple = reduced(process)
    delay_s = simple.delay_s + 0.5 * tick_s
    return simc_pi(simple._replace(delay_s=delay_s), delay_s)


def tuned(plant: RandomPlant, design: Design, rule: Rule) -> Gains:
    """Return the gains of a random plant: from what was found of it, or the old ones where the session was spoiled."""
    if not plant.good:
        return design.old
    return cautious_gains(plant.found, plant.gain_sd, plant.lag_sd_s, plant.delay_sd_s, design.tick_s, rule)
