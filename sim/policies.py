"""The opponents: the simple rules that growers use today, each as one row of a table."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import inf, isfinite, nan
from typing import TYPE_CHECKING, Protocol

import numpy as np

from controller import Commands, Controller, Decision, Measurements
from sim.params import pump_table_kg_s
from sim.power import motor_speed

if TYPE_CHECKING:
    from sim.scenario import Scenario

Dial = Callable[[float], float]  # wanted flow in kg/s to pump duty

GALLON_A_MINUTE_KG_S = 0.0631  # 1 US gal/min of water: 3.785 kg / 60 s
DAY_S = 86400.0
DIALLED_V = 12.5
CALL_AGAIN_S = 60.0
KICK_S = 2.0  # full duty for this long breaks a pump loose; a grower's speed control does the same
HOLD_READING_S = 600.0  # a missing reading is replaced by the last one for this long
FROST_BELOW_C = 0.0
FROST_WATER_C = 4.0  # no pulses while the return line is known to be warmer
FROST_EVERY_S = 1200.0
FROST_PULSE_S = 60.0
FROST_FLOW_KG_S = 0.3 * GALLON_A_MINUTE_KG_S

_PLAIN = {
    "none": "Drawing as this rule always does.",
    "pile-floor": "Resting until the core is hot enough again.",
    "demand": "The greenhouse is warm enough.",
    "timer": "Outside the hours of the timer.",
    "frost": "A short pulse keeps the line from freezing.",
    "sensor": "No reading to decide by.",
    "off": "Never draws.",
}


class Policy(Protocol):
    """Anything that turns measurements into a decision: the controller, an opponent, a user's own."""

    def step(self, measurements: Measurements) -> Decision:
        """Decide on the duties for now."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One fixed way of drawing heat: all its conditions must hold at once for the draw to go on.

    ``flow_kg_s`` is what the pump is set to (``inf``: full duty), ``fan_duty`` 0..1 what the fan gets meanwhile.
    Below ``pile_off_c`` the draw stops until the core is back at ``pile_on_c``. The draw starts when the
    greenhouse is less than ``demand_k`` above its minimum and stops 2 K later. The timer allows ``hours`` a day
    from ``from_hour``, local time. ``nan`` leaves a condition out.
    """

    flow_kg_s: float = GALLON_A_MINUTE_KG_S
    fan_duty: float = 0.0
    pile_on_c: float = nan
    pile_off_c: float = nan
    demand_k: float = nan
    from_hour: float = 0.0
    hours: float = 24.0

    def __str__(self) -> str:
        parts = [f"{self.flow_kg_s / GALLON_A_MINUTE_KG_S:.1f} gal/min, fan at {self.fan_duty:.0%}"]
        if isfinite(self.pile_on_c):
            parts.append(f"core on at {self.pile_on_c:.0f} °C, off at {self.pile_off_c:.0f} °C")
        if isfinite(self.demand_k):
            parts.append(f"when the greenhouse is under its minimum + {self.demand_k:.0f} K")
        if self.hours < 24.0:
            parts.append(f"{self.hours:.0f} h a day from {self.from_hour:.0f}:00")
        return "; ".join(parts)


RULES: Mapping[str, Rule] = {
    "off": Rule(flow_kg_s=0.0),
    "full": Rule(flow_kg_s=inf, fan_duty=1.0),
    "steady": Rule(fan_duty=1.0),
    "thermostat": Rule(pile_on_c=50.0, pile_off_c=45.0),
    "demand": Rule(fan_duty=1.0, demand_k=2.0),
    "timer": Rule(fan_duty=1.0, from_hour=20.0, hours=10.0),
}
POLICIES = ("warmheap", *RULES, "tuned")


class _Kept:
    """The last good reading, for as long as it may be believed."""

    def __init__(self) -> None:
        self.value = nan
        self.read_s = -inf

    def now(self, value: float, time_s: float) -> float:
        if isfinite(value):
            self.value, self.read_s = value, time_s
        elif time_s - self.read_s > HOLD_READING_S:
            self.value = nan
        return self.value


class RulePolicy:
    """Follows one ``Rule``, with the frost pulses that any grower in a cold place would add.

    The first call counts as local midnight for the timer. A reading that the rule needs and that is missing for
    ten minutes stops the draw; none is ever started without it.
    """

    def __init__(self, name: str, rule: Rule, greenhouse_min_c: float, dial: Dial) -> None:
        self.name = name
        self.rule = rule
        self._greenhouse_min_c = greenhouse_min_c
        self._core, self._greenhouse, self._outdoor = _Kept(), _Kept(), _Kept()
        self._midnight_s = nan
        self._pile_ready = False
        self._wants_heat = False
        self._turning = False
        self._draw = _decision(Commands(dial(rule.flow_kg_s), rule.fan_duty), "none")
        self._frost = _decision(Commands(dial(FROST_FLOW_KG_S), 0.0), "frost")
        self._idle = {limit: _decision(Commands(), limit) for limit in _PLAIN}

    def step(self, measurements: Measurements) -> Decision:
        """Draw, rest, or pulse against frost. Called every 60 s or less; any float is taken."""
        time_s = measurements.time_s
        if self._midnight_s != self._midnight_s:
            self._midnight_s = time_s
        held_back = self._held_back(measurements, time_s)
        if held_back is None:
            return self._turn(self._draw)
        if self._frost_pulse_due(measurements, time_s):
            return self._turn(self._frost)
        self._turning = False
        return self._idle[held_back]

    def _held_back(self, m: Measurements, time_s: float) -> str | None:
        rule = self.rule
        if rule.flow_kg_s == 0.0:
            return "off"
        if rule.hours < 24.0 and (time_s - self._midnight_s - rule.from_hour * 3600.0) % DAY_S >= rule.hours * 3600.0:
            return "timer"
        if rule.pile_on_c == rule.pile_on_c:
            core_c = self._core.now(m.pile_core_c, time_s)
            self._pile_ready = core_c > (rule.pile_off_c if self._pile_ready else rule.pile_on_c)
            if not self._pile_ready:
                return "pile-floor" if core_c == core_c else "sensor"
        if rule.demand_k == rule.demand_k:
            above_k = self._greenhouse.now(m.greenhouse_c, time_s) - self._greenhouse_min_c
            self._wants_heat = above_k < rule.demand_k + (2.0 if self._wants_heat else 0.0)
            if not self._wants_heat:
                return "demand" if above_k == above_k else "sensor"
        return None

    def _frost_pulse_due(self, m: Measurements, time_s: float) -> bool:
        freezing = self._outdoor.now(m.outdoor_c, time_s) < FROST_BELOW_C and not m.water_return_c > FROST_WATER_C
        return freezing and self.rule.flow_kg_s > 0.0 and (time_s - self._midnight_s) % FROST_EVERY_S < FROST_PULSE_S

    def _turn(self, wanted: Decision) -> Decision:
        if self._turning:
            return wanted
        self._turning = True
        kick = Commands(1.0, wanted.commands.fan_duty)
        return Decision(kick, wanted.phase, wanted.limit, wanted.reason, next_s=KICK_S)


def pump_dial(scenario: Scenario) -> Dial:
    """What a grower finds once with a bucket and a watch: the duty, 0..1, that gives a flow in kg/s at ``DIALLED_V``.

    A flow that the pump cannot hold gets the smallest duty at which water moves, one above its reach full duty.
    """
    pump = scenario.pump
    flows_kg_s = pump_table_kg_s(scenario)
    duties = np.linspace(pump.run_duty, 1.0, 200)
    speeds = [motor_speed(duty, DIALLED_V, True, pump.start_duty, pump.run_duty)[0] for duty in duties]
    given_kg_s = np.interp(speeds, np.linspace(0.0, 1.5, len(flows_kg_s)), flows_kg_s)
    moving = given_kg_s > 0.0

    def duty_for(flow_kg_s: float) -> float:
        return float(np.interp(flow_kg_s, given_kg_s[moving], duties[moving])) if flow_kg_s > 0.0 else 0.0

    return duty_for


def make_policy(name: str, scenario: Scenario, rule: Rule | None = None) -> Policy:
    """Build the policy called ``name`` (see ``POLICIES``) with what the grower of ``scenario`` knows.

    ``rule`` is what ``sim.search.best_rule`` found and is needed for "tuned" only. An unknown name, or
    "tuned" without its rule, raises ``ValueError``.
    """
    if name not in POLICIES:
        raise ValueError(f"policy = {name!r} is not one of {', '.join(POLICIES)}")
    if name == "warmheap":
        return Controller(scenario.controller_settings())
    if name == "tuned" and rule is None:
        raise ValueError("policy 'tuned' needs its rule: search it first with sim.search.best_rule")
    return RulePolicy(name, rule or RULES[name], scenario.greenhouse.minimum, pump_dial(scenario))


def _decision(commands: Commands, limit: str) -> Decision:
    phase = "harvest" if commands.pump_duty > 0.0 else "rest"
    return Decision(commands, phase, limit, _PLAIN[limit], next_s=CALL_AGAIN_S)
