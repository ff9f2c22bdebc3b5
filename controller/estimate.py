"""What the pile is, what it makes and what it can give, from cheap probes: a small robust observer.

The core is the core probe (or the edge probe) with a correction learnt from the water: water that has stood in the
pile for an hour comes out nearly as hot as the core, wherever the probe was pushed in. Heat made follows from the
energy balance of one lump: trend x heat capacity + heat drawn + standing loss.
"""

from __future__ import annotations

from math import exp, nan, sqrt

from controller.checks import Readings, likely_return_c
from controller.chill import Chill
from controller.coil import core_for_supply_c
from controller.media import WATER_J_KG_K
from controller.memory import Memory
from controller.settings import ControllerSettings
from controller.signals import PileEstimate
from controller.unmoved_core import UnmovedCore

DAY_S = 86400.0
DaysLeft = tuple[float, float, float]  # as expected, at least, at most
CORE_FILTER_S = 900.0
TREND_FILTER_S = 4 * 3600.0
MADE_FILTER_S = DAY_S
HOLD_CORE_S = 1800.0  # without any pile probe the last estimate stands this long
# and while the water can still bear witness a day, less all heat drawn since, with a doubt that grows (own judgement)
RECKON_S = DAY_S
# A draw cools the core by up to a kelvin an hour, and caution counts half a deviation; a hot pile may still be drawn then
UNMOVED_K_H, UNMOVED_MOST_K = 2.0, 10.0  # (own judgement)
HOT_GAP_S = 3600.0  # a gap in the readings longer than this breaks the record of a hot core
PILE_SHARE = 0.6  # share of the pile that follows the core up and down (own judgement)
# Standing loss of an 8 t pile per kelvin that its edge is above outdoors; grows with the surface (own judgement)
LOSS_W_K_8T = 29.0
EDGE_GAIN = 0.001  # how fast the gap between core and edge is learnt, per step
EDGE_SHARE = 0.5  # of the core's excess over outdoors that the edge has, where no probe tells (own judgement)
PLACED_SD_K = 3.0  # a probe pushed into a pile by hand: reads 7 K below to 4 K above the core
WITNESSED_SD_K = 2.2
FORGET_WITNESS_S = 10 * DAY_S  # the pile cools from outside inward: an old gap says little of today's
RESTED_S = 1800.0  # water left this long in the coil is as warm as the material around it
SKIN_BELOW_K, SKIN_S = 10.0, 4000.0  # which a draw cools so much and which recovers so fast (own judgement)
WITNESS_GAIN = 0.3
# The drum lies in the middle, the hottest place: its water may show the core hotter than it is on the whole.
WITNESS_DOWN_K, WITNESS_UP_K = 4.0, 1.5
UNSEEN_SHARE = 0.25  # of the water of a draw: if more passed unseen, the hottest may have been in it (own judgement)
DRUM_BELOW_K = 1.0  # drum water after a rest stays a little below the core (own judgement)


def heat_capacity_j_kg_k(moisture: float) -> float:
    """Return the specific heat of wet material [J/kg K], mixture rule, 1300 for the dry part (from memory)."""
    return WATER_J_KG_K * moisture + 1300.0 * (1.0 - moisture)


def water_heat_w(flow_kg_s: float, supply_c: float, return_c: float) -> float:
    """Return the heat the water takes out of the pile [W]; never negative, 0 when a value is missing."""
    heat_w = flow_kg_s * WATER_J_KG_K * (supply_c - return_c)
    return heat_w if heat_w > 0.0 else 0.0


class WaterWitness(Memory):
    """The hottest water of a draw that began after a long rest: a second opinion on the core."""

    __slots__ = ("_enough_kg", "best_c", "pumped_kg", "rest_s", "rested_s", "ripe", "unseen_kg")

    def __init__(self, drum_volume_m3: float) -> None:
        self._enough_kg = max(8.0, 150.0 * drum_volume_m3)
        self.rest_s = 0.0
        self.rested_s = 0.0
        self.ripe = False
        self.pumped_kg = self.unseen_kg = 0.0
        self.best_c = nan

    def update(self, flow_kg_s: float, supply_c: float, dt_s: float) -> float:
        """Return the core temperature that the water shows, once a draw; NaN at all other times.

        ``supply_c`` is NaN for water that was not seen: a reading kept for want of a fresh one is none.
        """
        if flow_kg_s <= 0.0:
            return self._rest(dt_s)
        if self.rest_s >= RESTED_S:
            self.ripe, self.pumped_kg, self.best_c, self.rested_s = True, 0.0, nan, self.rest_s
            self.unseen_kg = 0.0
        self.rest_s = 0.0
        if not self.ripe:
            return nan
        self.pumped_kg += flow_kg_s * dt_s
        if supply_c != supply_c:
            self.unseen_kg += flow_kg_s * dt_s
        elif not supply_c <= self.best_c and self.pumped_kg > 3.0:
            self.best_c = supply_c
        return self._verdict() if self.pumped_kg >= self._enough_kg else nan

    def _rest(self, dt_s: float) -> float:
        self.rest_s += dt_s
        return self._verdict() if self.ripe and self.pumped_kg >= 6.0 else nan

    @property
    def thorough(self) -> bool:
        """Whether enough was pumped, and seen, for the last verdict that cool water, too, says something about the core."""
        return self.pumped_kg >= self._enough_kg and self.unseen_kg <= UNSEEN_SHARE * self.pumped_kg

    @property
    def lag_k(self) -> float:
        """How much warmer than the coil's surroundings the core can be after the rest before the last verdict [K]."""
        return SKIN_BELOW_K * exp(-self.rested_s / SKIN_S)

    def _verdict(self) -> float:
        self.ripe = False
        return self.best_c + DRUM_BELOW_K


class Trend(Memory):
    """Level and slope of a slowly changing reading: a critically damped tracking filter."""

    __slots__ = ("level", "slope_per_s")

    def __init__(self) -> None:
        self.level = nan
        self.slope_per_s = 0.0

    def update(self, value: float, dt_s: float) -> None:
        """Follow ``value``; a jump of more than 3 is a moved probe and shifts the level only."""
        miss = value - self.level
        if not -3.0 < miss < 3.0:
            self.level = value
            return
        self.level += dt_s * (self.slope_per_s + 2.0 * miss / TREND_FILTER_S)
        self.slope_per_s += dt_s * miss / (TREND_FILTER_S * TREND_FILTER_S)


class PileObserver(Memory):
    """Keeps the estimate of the pile up to date."""

    __slots__ = (
        "_capacity_j_k",
        "_loss_w_k",
        "_mass_kg",
        "_settings",
        "chill",
        "drawn_day_w",
        "edge_c",
        "edge_gap_k",
        "hot_gap_s",
        "hot_s",
        "mute_s",
        "net_w",
        "offset_k",
        "probe_c",
        "silent_s",
        "trend",
        "unmoved",
        "witness",
        "witnesses",
    )

    def __init__(self, settings: ControllerSettings) -> None:
        self._settings = settings
        self._mass_kg = settings.pile_wet_mass_kg
        self._capacity_j_k = PILE_SHARE * self._mass_kg * heat_capacity_j_kg_k(settings.pile_moisture)
        self._loss_w_k = LOSS_W_K_8T * (self._mass_kg / 8000.0) ** (2.0 / 3.0)
        self.witness = WaterWitness(settings.drum_volume_m3)
        self.trend = Trend()
        self.unmoved = UnmovedCore(self._mass_kg)
        self.probe_c = nan
        self.offset_k = 0.0
        self.chill = Chill()
        self.edge_c = nan
        self.edge_gap_k = nan
        self.witnesses = 0.0
        self.silent_s = self.mute_s = 0.0
        self.hot_s = 0.0
        self.hot_gap_s = 0.0
        self.drawn_day_w = 0.0
        self.net_w = nan

    @property
    def unseen(self) -> bool:
        """Whether no pile probe has read for longer than a passing silence."""
        return self.probe_c != self.probe_c or self.silent_s > HOLD_CORE_S

    @property
    def blind(self) -> bool:
        """Whether nothing is known of the pile any more: no probe in it reads, and the water tells nothing either."""
        stands_s = RECKON_S if self.mute_s <= HOLD_CORE_S else HOLD_CORE_S
        return self.probe_c != self.probe_c or self.silent_s > stands_s

    @property
    def core_c(self) -> float:
        """Best estimate of the core [degC]."""
        return self.unchilled_c - self.chill.k

    @property
    def unchilled_c(self) -> float:
        """The same, had no draw chilled the material round the coil [degC]."""
        return self.probe_c + self.offset_k

    @property
    def core_sd_c(self) -> float:
        """One standard deviation of ``core_c`` [K]."""
        placed = PLACED_SD_K + (WITNESSED_SD_K - PLACED_SD_K) * min(self.witnesses, 10.0) / 10.0
        unseen = self.silent_s / 3600.0 + min(UNMOVED_K_H * self.unmoved.doubt_s / 3600.0, UNMOVED_MOST_K)
        return sqrt(placed * placed + unseen * unseen)

    def update(
        self,
        r: Readings,
        flow_kg_s: float,
        water_w: float,
        air_w: float,
        dt_s: float,
        same_s: float = 0.0,
        witness_c: float | None = None,
    ) -> None:
        """Take one step's readings and the heat drawn during it [W]; the core has read the same for ``same_s``.

        ``witness_c`` is the supply as far as it may bear witness [degC], NaN for not at all; by default as read.
        """
        doubted = self.unmoved.update(same_s, water_w + air_w, dt_s)
        reading_c = self._pile_reading(r)
        if reading_c == reading_c:
            self._follow(reading_c, dt_s)
        else:
            self.silent_s += dt_s
            self.hot_gap_s += dt_s
            self.probe_c -= (water_w + air_w) * dt_s / self._capacity_j_k
            if self.hot_gap_s > HOT_GAP_S:
                self.hot_s = 0.0
        kept = FORGET_WITNESS_S / (FORGET_WITNESS_S + dt_s)
        self.offset_k *= kept
        self.chill.pass_time(dt_s)
        self.witnesses *= kept
        supply_c = r.water_supply_c if witness_c is None else witness_c
        self.mute_s = 0.0 if supply_c == supply_c else self.mute_s + dt_s
        if self.mute_s > HOLD_CORE_S:  # no water will show what the draw does to the coil's bed
            self.chill.reckon(water_w * dt_s / self._capacity_j_k)
        shown_c = self.witness.update(flow_kg_s, supply_c, dt_s)
        if shown_c == shown_c:
            self._hear_witness(shown_c, supply_c, likely_return_c(r), flow_kg_s)
        self.drawn_day_w += (water_w + air_w - self.drawn_day_w) * dt_s / (DAY_S + dt_s)
        if not ((doubted or self.unseen) and self.net_w == self.net_w):
            self._balance(dt_s)

    @property
    def surplus_k_day(self) -> float:
        """How fast the core would climb if nothing were drawn [K/day]; NaN when not known."""
        return self.net_w * DAY_S / self._capacity_j_k

    def heat_made_w(self, outdoor_c: float) -> float:
        """Return the heat the microbes make [W]: the net and what the pile loses by itself; NaN when not known."""
        outside_c = outdoor_c if outdoor_c == outdoor_c else 5.0
        edge_c = self.edge_c
        above_k = edge_c - outside_c if edge_c == edge_c else EDGE_SHARE * (self.core_c - outside_c)
        made_w = self.net_w + self._loss_w_k * above_k
        return made_w if made_w > 0.0 or made_w != made_w else 0.0

    def estimate(self, made_w: float, hold_c: float, draw_left_h: float, days: DaysLeft) -> PileEstimate:
        """Return the public estimate; ``made_w`` is the heat made [W], ``hold_c`` the core at which the draw ends."""
        core_c = self.core_c
        return PileEstimate(
            core_c,
            self.core_sd_c,
            made_w,
            self.sustainable_w(hold_c),
            max(0.0, self._capacity_j_k * (core_c - self._settings.pile_floor_c)) if core_c == core_c else nan,
            draw_left_h,
            *days,
        )

    def sustainable_w(self, hold_c: float) -> float:
        """Return the draw that lasts with the core settled at ``hold_c`` [W]: what it nets now and the loss saved."""
        saved_w = EDGE_SHARE * self._loss_w_k * (self.core_c - hold_c)
        return max(0.0, self.net_w + saved_w) if self.net_w == self.net_w else nan

    def _pile_reading(self, r: Readings) -> float:
        core_c, edge_c = r.pile_core_c, r.pile_edge_c
        self.edge_c = edge_c
        if core_c != core_c:
            return edge_c + self.edge_gap_k if self.edge_gap_k == self.edge_gap_k else edge_c
        if edge_c == edge_c:  # half the gap only: what is not seen shall rather be too low
            gap_k = 0.5 * max(0.0, core_c - edge_c)
            known = self.edge_gap_k == self.edge_gap_k
            self.edge_gap_k = self.edge_gap_k + EDGE_GAIN * (gap_k - self.edge_gap_k) if known else gap_k
        return core_c

    def _follow(self, reading_c: float, dt_s: float) -> None:
        if self.probe_c == self.probe_c:
            self.probe_c += (reading_c - self.probe_c) * dt_s / (CORE_FILTER_S + dt_s)
        else:
            self.probe_c = reading_c
        self.silent_s = self.hot_gap_s = 0.0
        self.trend.update(reading_c, dt_s)
        self.hot_s = self.hot_s + dt_s if self.core_c >= self._settings.start_core_c else 0.0

    def _hear_witness(self, shown_c: float, supply_c: float, return_c: float, flow_kg_s: float) -> None:
        miss_k = shown_c - self.unchilled_c
        if miss_k < 0.0:
            miss_k = min(miss_k + self.witness.lag_k, 0.0)
        if miss_k > 0.0 or self.witness.thorough:
            moved = self.offset_k + WITNESS_GAIN * miss_k
            self.offset_k = min(max(moved, -WITNESS_DOWN_K), WITNESS_UP_K)
            self.witnesses += 1.0
            if self.witness.thorough:
                by_coil_c = core_for_supply_c(supply_c, return_c, flow_kg_s, self._settings.coil_ua_w_k)
                self.chill.judge(self.unchilled_c, shown_c + self.witness.lag_k, by_coil_c)

    def _balance(self, dt_s: float) -> None:
        now_w = self._capacity_j_k * self.trend.slope_per_s + self.drawn_day_w
        if self.net_w == self.net_w:
            self.net_w += (now_w - self.net_w) * dt_s / (MADE_FILTER_S + dt_s)
        elif self.hot_s > DAY_S:
            self.net_w = now_w
