"""How much heat the pile may give, and whether the greenhouse wants it now."""

from __future__ import annotations

from math import nan

from controller.media import WATER_J_KG_K
from controller.memory import Memory

MARGIN_K = 4.0  # a pile chilled close to 45 degC makes so much less heat that it may not come back
CAUTION = 0.5  # standard deviations kept between the estimated core and that
# A pile that makes little falls fast in the next cold spell, drawn or not: it keeps more in reserve.
STRONG_W_KG = 0.25
WEAK_K = 8.0
FORGET_K_DAY = 0.1  # a pile's natural temperature sinks slowly as it ages
DAY_S = 86400.0
# What is drawn burns what would keep the pile warm at its end. A big pile has most of it back: a cooler one loses less.
# A small one, mostly surface, pays an hour of its life for a kWh, one above 9 t a thirteenth of that (docs/results.md).
SMALL_KG, BIG_KG = 4000.0, 10000.0
DEEPEST_C = 52.0
TRIED_K = 3.0  # below its natural temperature is drawn even of the smallest
SPENT = 0.075  # W/kg of an 8 t pile that its loss near the floor takes
# Between these lay nine in ten of the random piles; rain and drying end a pile as often as hunger does.
LEAST_LEFT, MOST_LEFT, MOST_LEFT_DAYS = 0.3, 2.0, 25.0
STRENGTH_FILTER_S = 2 * DAY_S
SIZE_POWER = 1.0 / 3.0  # a big pile keeps its heat longer: mass over surface
TAPER_W_KG_K = 0.1  # draw allowed per kg of pile and kelvin of headroom: slow enough for a chill seen half a day late
HEADROOM_MAX_K = 15.0
FADE_K = 8.0  # headroom below which the flow shrinks
LOOK_AHEAD_S = DAY_S / 2.0  # a falling core is judged by where it will be half a day on
STEEPEST_K_S = 20.0 / 86400.0
SAVED_J_KG = 12000.0  # unused allowance that may be kept for a cold night
NEED_BAND_K = 0.5  # narrow: a house held a kelvin warmer than it must be wastes a third of the heat
NEED_UNKNOWN = 0.5
START_NEED = 0.4
START_FULL = 0.35  # share of the account that makes a draw worth starting


def zero_draw_c(floor_c: float, core_sd_c: float, made_w_kg: float) -> float:
    """Return the estimated core temperature at which the draw ends [degC].

    The floor, a margin for what is not known of the core (``core_sd_c``) and one for the pile's weakness:
    ``made_w_kg`` is the heat made per kilogram [W/kg], NaN for not known yet.
    """
    weakness = 1.0 - made_w_kg / STRONG_W_KG if made_w_kg == made_w_kg else 0.5
    return floor_c + MARGIN_K + CAUTION * core_sd_c + WEAK_K * min(max(weakness, 0.0), 1.0)


class Outlook(Memory):
    """How far below its natural temperature this pile may be drawn, from its size, and how long it will last.

    The quick solids burn first, so what a pile makes falls nearly as one over its age.
    """

    __slots__ = ("_share", "_small", "age_s", "natural_c", "strength_w_kg")

    def __init__(self, mass_kg: float) -> None:
        size = min(max((mass_kg - SMALL_KG) / (BIG_KG - SMALL_KG), 0.0), 1.0)
        self._small = 1.0 - size * size
        self._share = (mass_kg / 8000.0) ** SIZE_POWER / mass_kg
        self.natural_c = nan
        self.strength_w_kg = nan
        self.age_s = 0.0

    def lowest_c(self, core_c: float, made_w: float, hot: bool, dt_s: float) -> float:
        """Return the core temperature at which the draw ends; NaN before anything is known.

        ``made_w``: heat made [W], NaN when not known; ``hot``: whether the core has been hot enough to start.
        """
        self._follow(core_c, made_w, hot, dt_s)
        return DEEPEST_C + self._small * max(self.natural_c - TRIED_K - DEEPEST_C, 0.0)

    @property
    def left_days(self) -> tuple[float, float, float]:
        """Days until the pile makes only what it loses near its floor: as expected, at least, at most; NaN: unknown."""
        expected = self.age_s / DAY_S * (self.strength_w_kg / SPENT - 1.0)
        expected = 0.0 if expected < 0.0 else expected
        return expected, LEAST_LEFT * expected, MOST_LEFT * expected + MOST_LEFT_DAYS

    def _follow(self, core_c: float, made_w: float, hot: bool, dt_s: float) -> None:
        if not core_c <= self.natural_c:
            self.natural_c = core_c
        elif dt_s > 0.0:
            self.natural_c -= min(FORGET_K_DAY * dt_s / DAY_S, self.natural_c - core_c)
        if hot or self.age_s > 0.0:
            self.age_s += dt_s
        if made_w == made_w:
            made_w_kg, known = made_w * self._share, self.strength_w_kg == self.strength_w_kg
            miss = (made_w_kg - self.strength_w_kg) * dt_s / (STRENGTH_FILTER_S + dt_s)
            self.strength_w_kg = self.strength_w_kg + miss if known else made_w_kg


def headroom_k(core_c: float, slope_k_s: float, zero_c: float) -> float:
    """Return how far the core stands above ``zero_c``, or will in a day if it is falling [K]."""
    falling = max(min(slope_k_s, 0.0), -STEEPEST_K_S)
    return core_c + LOOK_AHEAD_S * falling - zero_c


def tapered_w(room_k: float, mass_kg: float) -> float:
    """Return the draw averaged over a day that this headroom allows [W]; 0 for none or an unknown one."""
    return TAPER_W_KG_K * mass_kg * min(room_k, HEADROOM_MAX_K) if room_k > 0.0 else 0.0


def generosity(room_k: float) -> float:
    """Return 0..1: how much of the full flow the headroom bears; a slower draw is easier on the pile and lasts."""
    return min(max(room_k / FADE_K, 0.0), 1.0) if room_k == room_k else 0.0


def crop_need(greenhouse_c: float, min_c: float) -> float:
    """Return 0..1: nothing from ``NEED_BAND_K`` above the crop minimum, all at the minimum; half when not known."""
    if greenhouse_c != greenhouse_c:
        return NEED_UNKNOWN
    return min(max((min_c + NEED_BAND_K - greenhouse_c) / NEED_BAND_K, 0.0), 1.0)


def draw_left_h(balance_j: float, flow_kg_s: float, rise_k: float) -> float:
    """Return for how many hours ``balance_j`` bears a draw of this flow and warming; 0 after an overdraft."""
    return max(balance_j, 0.0) / (flow_kg_s * WATER_J_KG_K * max(rise_k, 1.0)) / 3600.0


class HeatAccount(Memory):
    """Allowance not yet drawn [J]: filled at the rate the pile allows, spent by what is measured to leave it."""

    __slots__ = ("_cap_j", "balance_j", "giving")

    def __init__(self, mass_kg: float) -> None:
        self._cap_j = SAVED_J_KG * mass_kg
        self.balance_j = 0.0
        self.giving = False

    @property
    def fullness(self) -> float:
        """Share of the most it can hold, -1..1; negative after an overdraft."""
        return self.balance_j / self._cap_j

    def book(self, allowed_w: float, drawn_w: float, dt_s: float) -> None:
        """Add the allowance and take off the draw of the last ``dt_s``."""
        balance = self.balance_j + (allowed_w - drawn_w) * dt_s
        self.balance_j = min(max(balance, -self._cap_j), self._cap_j)

    def gives(self, need: float) -> bool:
        """Tell whether heat shall be drawn now: once begun, while the crop needs any and anything is saved.

        Beyond the need nothing is given: what stays in the pile is there in the next cold night.
        """
        full = self.fullness
        self.giving = need > 0.0 and full > 0.0 if self.giving else need >= START_NEED and full >= START_FULL
        return self.giving
