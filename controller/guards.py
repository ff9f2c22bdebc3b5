"""The guards: what may not be, as small pure functions. Nothing here remembers; the caller passes what was so before.

Each takes readings (NaN: unknown) and answers yes or no, or how much. An unknown value trips no guard by itself: a
sensor that fell silent is the business of ``controller.checks`` and of the alarms.
"""

from __future__ import annotations

from controller.coil import TELLING_SPAN_K

# --- scald. 49 degC burns skin in 8 to 10 minutes, 55 degC in half a minute, 60 degC in seconds (burn tables of the
# plumbing trade), so no waiting time makes hot water safe to touch: where people can, a thermostatic mixing valve must
# do that, which blends in cold water within seconds and needs no electricity. What this guard does is to cut short how
# long the loop sends such water at all. What stood in drum and coil is the hottest and comes first; the flow is set so
# that what follows comes out below the limit, and where that is not enough in time, the pump stops. Flushing a hot
# drum with four times the flow instead was tried: it also held the limit, but the burst overheated the house
# and the backup avoided fell by a sixth on a small pile with a drum.
TOO_HOT_LONGEST_S = 480.0  # the shortest time in which water at 49 degC burns
FAR_TOO_HOT_K = 20.0  # pipes and joints suffer
# Short draws bring out what stood in the coil again and again, each time for less than the alarm waits: so their sum is
# told, and of two hours a day (own judgement) the last are shortened by faster flow and then refused.
HOT_DAY_TOLD_S, TOLD_FORGOTTEN_S_DAY = 1800.0, 3600.0
HOT_DAY_HASTE_S, HOT_DAY_MOST_S, HOT_FORGOTTEN_S_DAY = 3600.0, 6600.0, 7200.0
SCALD_BACK_K = 1.0  # hunting around the limit counts as above it

DAY_S = 86400.0

# --- water
NO_HEAT_SHARE = 0.1  # of the warming that moving water would show
FAR_BELOW_SHARE = 0.5
UNMOVED_K = 1.0
SWAPPED_K = 2.0

# --- crop, house, hand
CROP_BACK_K = 0.2
CEILING_BACK_K = 0.5
TOUCHES_NO_HEAT_K = 1.0

# --- fan
TURNING_HZ, WINDMILL_HZ = 1.0, 2.0  # draught alone turns a duct fan slowly (own judgement)


def blocked_now(value: float, limit: float, back: float, was_blocked: bool) -> bool:
    """Tell whether ``value`` is above ``limit``, or, once it was, not yet ``back`` below it; NaN blocks nothing."""
    return value > (limit - back if was_blocked else limit)


def crop_at_risk(greenhouse_c: float, min_c: float, was_so: bool) -> bool:
    """Tell whether the greenhouse is below the crop's minimum, or was and is not yet safely above; NaN is no."""
    return greenhouse_c < (min_c + CROP_BACK_K if was_so else min_c)


def too_hot_for_s(hot_s: float, supply_c: float, limit_c: float, dt_s: float) -> float:
    """Return for how long water above the scald limit has been flowing [s].

    It counts up while ``supply_c`` is above the limit, and, once it was, within ``SCALD_BACK_K`` of it; it counts
    down below that, so that a single cool reading does not buy a new waiting time. Unknown water changes nothing.
    """
    if supply_c != supply_c:
        return hot_s
    if blocked_now(supply_c, limit_c, SCALD_BACK_K, hot_s > 0.0):
        return hot_s + dt_s
    return max(0.0, hot_s - dt_s)


def scald_stops(hot_s: float, supply_c: float, limit_c: float) -> bool:
    """Tell whether the pump must stop since the water is far too hot, or more flow did not cool it in time."""
    return hot_s >= TOO_HOT_LONGEST_S or supply_c > limit_c + FAR_TOO_HOT_K


def scald_day_stops(hot_day_s: float, supply_c: float, limit_c: float) -> bool:
    """Tell whether too hot water must stop at once since so much of it has flowed of late."""
    return hot_day_s >= HOT_DAY_MOST_S and supply_c > limit_c


def scald_haste(hot_day_s: float) -> float:
    """Return 0..1: how much more flow shall shorten the too hot water of a day; what a draw wants is then soon had."""
    return min(max((hot_day_s - HOT_DAY_HASTE_S) / (HOT_DAY_MOST_S - HOT_DAY_HASTE_S), 0.0), 1.0)


def hot_of_day_s(hot_day_s: float, is_hot: bool, dt_s: float, forgotten_s_day: float) -> float:
    """Return for how long too hot water has flowed of late [s].

    A day without any forgets ``forgotten_s_day`` of it, which is also the most that is remembered.
    """
    if is_hot:
        return min(hot_day_s + dt_s, forgotten_s_day)
    return max(0.0, hot_day_s - dt_s * forgotten_s_day / DAY_S)


def water_stands(start_c: float, supply_c: float, return_c: float, expected_k: float, span_k: float) -> bool:
    """Tell from temperatures alone that a running pump moves no water.

    Either the water leaving the pile is no warmer than the water entering it, although the core is; or it is far
    colder than moving water would be and has not changed since the pump started (``start_c``). What cannot be told:
    anything while core and return are close (``span_k``), while water as hot as the core stands at the supply probe, or
    with the supply probe unknown; and whether the pump, the water or the probe is to blame.
    """
    if not span_k > TELLING_SPAN_K:
        return False
    rise_k = supply_c - return_c
    unmoved = abs(supply_c - start_c) < UNMOVED_K
    return rise_k < NO_HEAT_SHARE * expected_k or (unmoved and rise_k < FAR_BELOW_SHARE * expected_k)


def probes_swapped(flow_kg_s: float, supply_c: float, return_c: float, core_c: float) -> bool:
    """Tell whether moving water seems to leave the pile colder than it enters, although the pile is warmer."""
    return flow_kg_s > 0.0 and supply_c < return_c - SWAPPED_K and core_c > return_c + SWAPPED_K


def hand_run_takes_heat(supply_c: float, return_c: float) -> bool:
    """Tell whether water pumped by hand takes heat from the pile; unknown temperatures count as yes.

    So a loop can be filled and bled on a pile that is still cold, and no hand can chill one that rests.
    """
    return not supply_c <= return_c + TOUCHES_NO_HEAT_K


def fan_stalls(duty: float, speed_hz: float) -> bool:
    """Tell whether the fan stands although it is switched on; an unknown speed is no."""
    return duty > 0.0 and speed_hz < TURNING_HZ


def fan_turns(duty: float, speed_hz: float) -> bool:
    """Tell whether the fan turns as it is told to; an unknown speed is no."""
    return duty > 0.0 and speed_hz >= TURNING_HZ


def fan_runs_on(duty: float, speed_hz: float) -> bool:
    """Tell whether the fan turns although it is switched off."""
    return duty <= 0.0 and speed_hz > WINDMILL_HZ
