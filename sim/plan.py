"""What a pile can do for a greenhouse before it is built: heat with its range, days, nights, and the parts.

Heat made and heat needed come from one simulated season in which nothing is drawn. What a grower gets of it is a share,
taken from simulated seasons on random plants up to 50 % off their design, smaller for a pile that makes little: three
shares, for one season in ten, in two and nine in ten.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from math import isfinite
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from sim.plan_loads import Loads, mound_w, season_loads
from sim.plan_parts import (
    AirParts,
    PowerParts,
    WaterParts,
    air_parts,
    fan_mean_w,
    power_parts,
    pump_mean_w,
    water_parts,
)
from sim.season import twin_of
from sim.weather import load_weather

if TYPE_CHECKING:
    from sim.scenario import Scenario

Floats = npt.NDArray[np.float64]
J_PER_KWH, DAY_S = 3.6e6, 86400.0
LEVELS = ("p10", "p50", "p90")
# Useful heat of a season as a share of what the undrawn pile of the design makes, by what a tonne of it makes in 120 days.
# A pile that barely keeps itself hot has hardly anything to spare, and a plant a little worse than its design has nothing.
# Set on 53 random seasons of 120 days (numbers 100-119 and 300-332 of sim/population.py): below the first strength, above
# the second, in a straight line between; bench/plan_check.py counts how many others fall inside. Most of the width is the
# plant's: what it makes is up to 50 % off its design, and the share follows that (correlation of logarithms 0.84).
STRENGTH_KWH_T = (440.0, 500.0)
USEFUL_SHARE = {"p10": (0.003, 0.035), "p50": (0.03, 0.125), "p90": (0.20, 0.26)}
STRENGTH_DAYS = 120
HOT_C = 45.0  # below this a pile has nothing to spare (the usual lower end of the thermophilic range)
YES_SHARE, PARTLY_SHARE = 0.8, 0.25  # of the season's need, in the middle case; own judgement
SEED = 1


@dataclass(frozen=True, slots=True)
class Plan:
    """A plan. Heat kWh, power W; ``by_level`` holds p10, p50, p90; daily arrays have shape (days,)."""

    title: str
    days: int
    loads: Loads
    need_kwh: float
    made_kwh: float
    mound_rule_w: float
    hot_days: float
    useful_kwh: dict[str, float]
    backup_avoided_kwh: dict[str, float]
    january_share: dict[str, float | None]
    nights_not_held: dict[str, int]
    water: WaterParts
    air: AirParts
    pump_power: PowerParts
    fan_power: PowerParts
    verdict: str
    warnings: tuple[str, ...]
    need_day_kwh: Floats
    give_day_kwh: dict[str, Floats]
    core_day_c: Floats

    def as_json(self) -> dict[str, Any]:
        """For machines: plain numbers with units in the names; what is not finite becomes null."""
        plain: dict[str, Any] = _plain(asdict(self))
        return plain


def make_plan(scenario: Scenario, days: int = 120) -> Plan:
    """Work the plan out, about a second. ``days`` 1..365; what the scenario or its weather have wrong is a ValueError."""
    weather = load_weather(scenario)
    scenario = scenario.varied({"greenhouse.backup": True})
    loads = season_loads(scenario, weather, days)
    need, made, core = _days_of_the_twin(scenario, days)
    spare = np.where(core >= HOT_C, made, 0.0)
    shares = useful_shares(_strength_kwh_t(scenario, made))
    give = {level: _given(spare, made.sum() * shares[level]) for level in LEVELS}
    useful = {level: float(give[level].sum()) for level in LEVELS}
    avoided = {level: float(np.minimum(give[level], need).sum()) for level in LEVELS}
    mean_w = useful["p50"] * J_PER_KWH / (days * DAY_S)
    pump = power_parts(scenario, weather, days, scenario.pump_power, pump_mean_w(scenario, mean_w))
    fan = power_parts(scenario, weather, days, scenario.fan_power, fan_mean_w(scenario))
    water, hot_days = water_parts(scenario), float((core >= HOT_C).sum())
    share = avoided["p50"] / need.sum() if need.sum() > 0.0 else 1.0
    return Plan(
        title=scenario.title, days=days, loads=loads, need_kwh=float(need.sum()), made_kwh=float(made.sum()),
        mound_rule_w=mound_w(scenario.pile.wet_mass_kg), hot_days=hot_days, useful_kwh=useful,
        backup_avoided_kwh=avoided, january_share=_january(scenario, need, give),
        nights_not_held={level: int((give[level] < need).sum()) for level in LEVELS},
        water=water, air=air_parts(scenario, loads.outdoor_mean_c), pump_power=pump, fan_power=fan,
        verdict=_verdict(share, hot_days, days), warnings=_warnings(water, pump, fan),
        need_day_kwh=need, give_day_kwh=give, core_day_c=core,
    )  # fmt: skip


def useful_shares(strength_kwh_t: float) -> dict[str, float]:
    """Share of the heat made that a season brings as useful heat, by level, for a pile of this strength, kWh/t."""
    return {level: float(np.interp(strength_kwh_t, STRENGTH_KWH_T, shares)) for level, shares in USEFUL_SHARE.items()}


def _strength_kwh_t(scenario: Scenario, made_kwh: Floats) -> float:
    """What a tonne makes in 120 days, left alone, whatever the length of the season that is planned. [kWh/t]"""
    if made_kwh.size < STRENGTH_DAYS:
        made_kwh = _days_of_the_twin(scenario, STRENGTH_DAYS)[1]
    return float(made_kwh[:STRENGTH_DAYS].sum()) / (scenario.pile.wet_mass_kg / 1000.0)


def _days_of_the_twin(scenario: Scenario, days: int) -> tuple[Floats, Floats, Floats]:
    """Backup needed and heat made each day, kWh, and the day's coldest core, degC, of a pile left alone."""
    twin = twin_of(scenario, SEED, days)
    ends_s = np.arange(days + 1) * DAY_S
    need = np.diff(np.interp(ends_s, twin.elapsed_s, twin.backup_j)) / J_PER_KWH
    made = np.diff(np.interp(ends_s, twin.elapsed_s, twin.made_j)) / J_PER_KWH
    day = np.minimum((twin.elapsed_s / DAY_S).astype(int), days - 1)
    core = np.array([twin.core_c[day == d].min() for d in range(days)])
    return need, made, core


def _given(spare_kwh: Floats, total_kwh: float) -> Floats:
    """The season's useful heat spread over the days on which the pile is hot, as it makes it."""
    whole = float(spare_kwh.sum())
    return spare_kwh * (min(total_kwh, whole) / whole) if whole > 0.0 else np.zeros_like(spare_kwh)


def _january(scenario: Scenario, need: Floats, give: dict[str, Floats]) -> dict[str, float | None]:
    """Share of January's backup that the pile carries; None where the season has no January or it needs none."""
    first = scenario.place.start_hour // 24
    january = (first + np.arange(need.size)) % 365 < 31
    wanted = float(need[january].sum())
    if wanted <= 0.0:
        return dict.fromkeys(LEVELS)
    return {level: float(np.minimum(give[level], need)[january].sum()) / wanted for level in LEVELS}


def _verdict(share: float, hot_days: float, days: int) -> str:
    if hot_days < 1:
        return "No. This pile never gets hot enough to draw from."
    hot = f"The pile stays hot on {hot_days:.0f} of {days} days."
    if share >= YES_SHARE:
        return f"Yes. In a middling season the pile carries {share:.0%} of the heating. {hot}"
    if share >= PARTLY_SHARE:
        return f"In part. In a middling season the pile carries {share:.0%} of the heating; fit a heater for the rest. {hot}"
    return f"No. In a middling season the pile carries only {share:.0%} of the heating. {hot}"


def _warnings(water: WaterParts, pump: PowerParts, fan: PowerParts) -> tuple[str, ...]:
    said = []
    if water.coil_wanted_m is None:
        said.append("No length of this pipe warms 1 gal/min well: lay it over more of the core.")
    elif water.coil_wanted_m > water.coil_m:
        said.append(f"The coil is short: {water.coil_wanted_m:.0f} m would warm 1 gal/min by half the way to the core.")
    if water.duty_for_gallon is None:
        said.append("The pump cannot reach 1 gal/min through this coil and line: wider pipe or more head.")
    if water.full_flow_kg_s < water.purge_kg_s:
        said.append("The pump cannot carry bubbles out of the pipe: purge with a mains hose when filling.")
    for name, power in (("pump", pump), ("fan", fan)):
        if power.darkest_w < power.used_w and power.battery_days < 5.0:
            said.append(f"The {name}'s panel and battery do not last five dark days: a bigger panel or battery.")
    return tuple(said)


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, np.ndarray | list | tuple):
        return [_plain(inner) for inner in value]
    if isinstance(value, float | np.floating):
        return float(value) if isfinite(value) else None
    return value.item() if isinstance(value, np.generic) else value
