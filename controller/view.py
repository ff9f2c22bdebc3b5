"""What one step has worked out so far: filled by the parts in turn, quoted in reasons, forgotten afterwards."""

from __future__ import annotations


class View:
    """Numbers of one step, SI units as named.

    ``room_k`` is the headroom of the core above ``zero_c``, where the draw ends; ``saved`` the share of the heat
    account; ``limit`` the short code of what decides the draw (``controller.reasons.LIMITS``).
    """

    __slots__ = (
        "air_w",
        "battery_v",
        "core_c",
        "drawing",
        "drawn_day_w",
        "fan_on",
        "flow_kg_s",
        "hot_s",
        "limit",
        "locked_s",
        "made_w",
        "may_draw",
        "need",
        "room_k",
        "saved",
        "water_w",
        "zero_c",
    )
    air_w: float
    battery_v: float
    core_c: float
    drawing: bool
    drawn_day_w: float
    fan_on: bool
    flow_kg_s: float
    hot_s: float
    limit: str
    locked_s: float
    made_w: float
    may_draw: bool
    need: float
    room_k: float
    saved: float
    water_w: float
    zero_c: float
