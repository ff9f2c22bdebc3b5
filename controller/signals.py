"""What goes into a controller step and what comes out: plain frozen records, SI units in the names."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import nan


@dataclass(frozen=True, kw_only=True, slots=True)
class Measurements:
    """One reading of every sensor; NaN means "no reading".

    A field that is NaN from the first step on is a sensor that is not fitted. ``time_s`` is the UTC epoch
    when the run began, advanced by the monotonic clock since: it never jumps with the wall clock.
    Relative humidity, ``pile_o2`` and ``greenhouse_co2`` are fractions 0..1 (the last two mole fractions);
    ``fan_speed_hz`` counts revolutions per second.
    """

    time_s: float
    pile_core_c: float = nan
    pile_edge_c: float = nan
    water_supply_c: float = nan
    water_return_c: float = nan
    water_flow_kg_s: float = nan
    air_supply_c: float = nan
    air_supply_rh: float = nan
    fan_speed_hz: float = nan
    greenhouse_c: float = nan
    greenhouse_rh: float = nan
    outdoor_c: float = nan
    tank_c: float = nan
    pump_battery_v: float = nan
    fan_battery_v: float = nan
    pile_o2: float = nan
    greenhouse_co2: float = nan


@dataclass(frozen=True, slots=True)
class Commands:
    """What the outputs shall do: fractions of full duty, 0..1."""

    pump_duty: float = 0.0
    fan_duty: float = 0.0


@dataclass(frozen=True, slots=True)
class Alarm:
    """A condition the grower should know of.

    ``severity`` is "notice", "warning" or "critical"; ``since_s`` is on the clock of ``Measurements.time_s``;
    ``seen`` says what was observed, ``cause`` what is likely behind it, ``do`` what to do about it, ``clears`` when it
    goes away. ``state`` is "unacknowledged", "acknowledged" or "returned-unacknowledged"; ``count`` how often it came
    up since the controller began.
    """

    code: str
    severity: str
    since_s: float
    seen: str
    do: str
    acknowledged: bool = False
    cause: str = ""
    clears: str = ""
    state: str = "unacknowledged"
    count: int = 1


@dataclass(frozen=True, slots=True)
class PileEstimate:
    """What the controller believes about the pile. NaN where it cannot know yet.

    ``core_sd_c`` is one standard deviation of ``core_c``; ``sustainable_w`` is the draw that the pile can
    keep up for days; ``stored_j`` is the heat above the floor. ``draw_left_h`` is for how long the target flow can
    be drawn from what is saved up now; ``left_days`` how long the pile will still make useful heat, with a 90 %
    interval ``left_low_days`` to ``left_high_days``.
    """

    core_c: float = nan
    core_sd_c: float = nan
    heat_made_w: float = nan
    sustainable_w: float = nan
    stored_j: float = nan
    draw_left_h: float = nan
    left_days: float = nan
    left_low_days: float = nan
    left_high_days: float = nan


@dataclass(frozen=True, slots=True)
class Decision:
    """The outcome of one controller step.

    ``limit`` is the short code of the one limit that decides the draw now and ``reason`` the same as a
    sentence; ``next_s`` is how soon the controller wants to be called again, 1..60 s; ``cause`` is why the phase is
    what it is, and changes with it.
    """

    commands: Commands
    phase: str
    limit: str
    reason: str
    alarms: tuple[Alarm, ...] = ()
    estimate: PileEstimate = field(default_factory=PileEstimate)
    next_s: float = 60.0
    cause: str = ""
