"""What one step has worked out so far: filled by the parts in turn, quoted in reasons, forgotten afterwards."""

from __future__ import annotations


class View:
    """Numbers of one step, SI units as named.

    ``room_k`` is the headroom of the core above ``zero_c``, where the draw ends; ``saved`` the share of the heat
    account; ``limit`` the short code of what decides the draw (``controller.reasons.LIMITS``), ``fan_limit`` of what
    holds a fan back that would run, "" for nothing. ``at_risk``: the greenhouse is below the crop's minimum;
    ``spending``: heat is drawn below the pile's floor for it; ``frost_barred``: a due pulse may not run.
    """

    __slots__ = (
        "air_w",
        "at_risk",
        "battery_v",
        "co2_ppm",
        "coil_rest_s",
        "core_c",
        "drawing",
        "drawn_day_w",
        "fan_limit",
        "fan_on",
        "flow_kg_s",
        "frost_barred",
        "hand_fan",
        "hand_pump",
        "hand_s",
        "hot_s",
        "limit",
        "locked_s",
        "made_w",
        "may_draw",
        "need",
        "room_k",
        "recovery_days",
        "saved",
        "spending",
        "tank_rise_k",
        "water_w",
        "zero_c",
    )
    air_w: float
    at_risk: bool
    battery_v: float
    co2_ppm: float
    coil_rest_s: float
    core_c: float
    drawing: bool
    drawn_day_w: float
    fan_limit: str
    fan_on: bool
    flow_kg_s: float
    frost_barred: bool
    hand_fan: float
    hand_pump: float
    hand_s: float
    hot_s: float
    limit: str
    locked_s: float
    made_w: float
    may_draw: bool
    need: float
    room_k: float
    recovery_days: float
    saved: float
    spending: bool
    tank_rise_k: float
    water_w: float
    zero_c: float
