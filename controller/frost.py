"""Keeps the line from freezing with as little of the pile's heat as will do.

Every pulse brings cold water into the pile, so pulses are rationed by what they show: the first one of a frost finds
out how much colder the line is than the probes at its ends; after that the standing probes are believed, less that gap.
"""

from __future__ import annotations

from math import nan

from controller.borne_frost import BorneFrost
from controller.memory import Memory
from controller.water_noise import WaterNoise

DAY_S = 86400.0
COLD_OUTDOOR_C = 1.0
FREEZING_WATER_C = 3.0
# Coldest water in the line at which a pulse is due: freezing water as a probe half a degree too high shows it. Not higher:
# water at 0 degC in pipes lying at -3 degC needs a day to freeze through (334 kJ/kg against some 26 W for 25 m), and
# every pulse for nothing chills the pile.
PULSE_BELOW_C = 0.6
ICE_C = 0.1  # a standing probe shows this of water that freezes: then no learnt wait holds
FIRST_WAIT_S = 3600.0
SHORTEST_WAIT_S = 600.0
LONGEST_WAIT_S = 6 * 3600.0
NEAR_ICE_WAIT_S = 2 * 3600.0  # and less, where water as cold as that came back (own judgement)
# A tenth of the water in a bare pipe is ice after so long, times the kelvins of frost: 334 kJ/kg, 0.5 kg and 2.4 W/K a
# metre (32 mm pipe in wind, worked by hand from 25 W/m2 K; from memory). More pulses than that only chill the pile.
ICE_K_S = 7000.0
# The outdoor probe may read high, by up to four kelvins: then three tenths of the water have become ice in that time, which
# still lets water through (own judgement). Half as long was tried and cost a pile 10 K in 30 h at -1 degC.
DOUBTED_WAIT_S = 3600.0
# A pile with nothing to spare lets two tenths become ice, as known of the pipe, by an outdoor probe that is right: every
# pulse costs it as much of what keeps it alive (own judgement).
SPARING = 2.0
BELIEVED_S = 4 * 86400.0  # the gap is measured afresh after so long
COLDER_K = 4.0  # or when it has become so much colder than it was then
# Moving water is never so cold: a return probe that shows it reads low, and tells nothing of ice.
IMPOSSIBLE_C, PASSED_KG = -0.7, 1.0  # once the water that stood at the probe has passed
OUTDOOR_FILTER_S = 3 * 3600.0  # standing water follows the air no faster than this (own judgement)
# A line that stood so long is tried, whatever vouches for it, so that a frozen one is told within a day; but not by a pile
# so close to its floor: there a pulse for nothing every day is too much (own judgement)
PROVE_S, PROOF_ROOM_K = 18 * 3600.0, 5.0
SETTLED_S = 12 * 3600.0  # a line that stood so long is as cold as what lies around it (own judgement)
GROUND_SINKS_K_S = 0.1 / DAY_S  # around a buried pipe in winter (own judgement)
LEAST_MOVED_KG = 2.0
_STRETCH = ((3.0, 1.6), (2.0, 1.2), (1.0, 1.0), (0.3, 0.7), (-1e9, 0.5))  # water warmer than [degC] -> wait times
MOVED_LINES = 0.25  # of the water in one pipe, moved by one pulse
# As slow as the pump can, for so long at most: what is moved beyond need chills the pile. Only where freezing water comes
# back is the whole line moved, within the first time if the pump can, and at most for the second.
PULSE_S, LONGEST_PULSE_S = 300.0, 600.0
# Where nothing moves the pump is not driven dry all night: after some such pulses in a row they are short and rarer, but
# never given up, since ice thaws and air comes out. A small pump bears half an hour of it in a day (own judgement).
DRY_PULSE_S, DRY_KG = 90.0, 0.2
TRICKLE_KG_S = (
    0.005  # of a blocked line, or a pump that draws air: half of what the smallest pump moves (own judgement)
)
DRY_PATIENCE, DRY_TRY_S, DRY_WAIT_S = 4.0, 30.0, 2400.0


def frost_threat(outdoor_c: float, return_c: float, supply_c: float) -> bool:
    """Tell whether the line can freeze: frost outdoors, or, with no outdoor reading, water near freezing."""
    if outdoor_c == outdoor_c:
        return outdoor_c < COLD_OUTDOOR_C
    return return_c < FREEZING_WATER_C or supply_c < FREEZING_WATER_C


def shortest_wait_s(outdoor_c: float, spares: bool = False) -> float:
    """Return how long water that is near freezing may stand in the frost outdoors, even in a bare pipe [s].

    ``spares``: the pile has nothing to spare.
    """
    if outdoor_c != outdoor_c:
        return SHORTEST_WAIT_S
    ice_k_s = SPARING * ICE_K_S if spares else ICE_K_S
    return min(max(ice_k_s / max(-outdoor_c, 1.0), SHORTEST_WAIT_S), DOUBTED_WAIT_S)


def next_wait_s(wait_s: float, coldest_c: float, outdoor_c: float, spares: bool = False) -> float:
    """Return the least time to the next pulse from the coldest water the last one brought back [degC].

    Warm water stretches the wait, cold water shortens it. Without that reading it follows the outdoor
    temperature: an hour in light frost, a quarter at -15 degC (own judgement).
    """
    if coldest_c != coldest_c:
        below_k = max(0.0, -outdoor_c) if outdoor_c == outdoor_c else 5.0
        return max(FIRST_WAIT_S / (1.0 + 0.2 * below_k), SHORTEST_WAIT_S)
    factor = next(factor for above_c, factor in _STRETCH if coldest_c > above_c)
    if coldest_c <= PULSE_BELOW_C:  # what was learnt while the line was covered or the ground warm holds no longer
        wait_s = min(wait_s, NEAR_ICE_WAIT_S)
    return min(max(factor * wait_s, shortest_wait_s(outdoor_c, spares)), LONGEST_WAIT_S)


class FrostGuard(Memory):
    """Decides when a pulse is due and when it has moved enough water."""

    __slots__ = (
        "_low",
        "_noise",
        "_pulse_kg",
        "_whole_kg",
        "borne",
        "coldest_c",
        "dry",
        "gap_k",
        "heat_day_w",
        "learnt_at_c",
        "learnt_s",
        "moved_kg",
        "outdoor_c",
        "pulse_s",
        "pulsing",
        "shown_at_c",
        "shown_c",
        "standing_c",
        "still_s",
        "stood_s",
        "wait_s",
    )

    def __init__(self, line_volume_m3: float, noise: WaterNoise) -> None:
        self._noise = noise
        self._pulse_kg = max(LEAST_MOVED_KG, MOVED_LINES * 1000.0 * line_volume_m3)
        self._whole_kg = max(LEAST_MOVED_KG, 1000.0 * line_volume_m3)
        self._low = False
        self.borne = BorneFrost()
        self.wait_s = FIRST_WAIT_S
        self.gap_k = nan
        self.heat_day_w = 0.0
        self.learnt_s = 0.0
        self.learnt_at_c = nan
        self.outdoor_c = nan
        self.shown_c = self.shown_at_c = nan
        self.standing_c = nan
        self.still_s = self.stood_s = 0.0
        self.pulsing = False
        self.pulse_s = 0.0
        self.moved_kg = 0.0
        self.dry = 0.0
        self.coldest_c = nan

    def due(
        self,
        outdoor_c: float,
        return_c: float,
        supply_c: float,
        flow_kg_s: float,
        elapsed_s: float,
        affords_proof: bool = False,
        spares: bool = False,
    ) -> bool:
        """Tell whether the pump must turn now against frost; ``flow_kg_s`` is what moved in the last step.

        ``affords_proof``: the pile bears a pulse in most of a day even where everything vouches for the line, since ice in
        the middle of a line that stands is seen by no probe. ``spares``: it has nothing to spare.
        """
        threat = frost_threat(outdoor_c, return_c, supply_c)
        return_c, supply_c = self._noise.believed_c(return_c, supply_c)
        return_c = self._possible_c(return_c, flow_kg_s)
        self.borne.stand(outdoor_c, elapsed_s)
        self._follow(flow_kg_s, return_c, supply_c, elapsed_s)
        self._follow_air(outdoor_c, elapsed_s)
        if self.pulsing:
            if not threat or self._moved_enough(return_c) or self.pulse_s >= self._longest_s():
                self._end(outdoor_c, spares)
        elif threat and self._is_time(outdoor_c, affords_proof, spares, return_c != return_c):
            self.pulsing, self.pulse_s, self.stood_s = True, 0.0, self.still_s
        return self.pulsing

    def _possible_c(self, return_c: float, flow_kg_s: float) -> float:
        """Return the return as read [degC]; NaN for a probe that shows moving water colder than ice."""
        if flow_kg_s > 0.0 and self.moved_kg > PASSED_KG:
            self._low = return_c < IMPOSSIBLE_C or (self._low and not return_c > PULSE_BELOW_C)
        if not self._low:
            return return_c
        self.coldest_c = nan
        return nan

    def _is_time(self, outdoor_c: float, affords_proof: bool, spares: bool, mute: bool) -> bool:
        """Tell whether a pulse is due; ``mute``: the return tells nothing."""
        if affords_proof and self.still_s >= PROVE_S:
            return True
        if self.still_s < self._least_wait_s(outdoor_c, spares):
            return False
        return not self._believed_warm(outdoor_c) and not (mute and self._bore_as_much)

    @property
    def pulse_kg_s(self) -> float:
        """The flow that a pulse needs at least [kg/s]: a long bare pipe must not freeze behind it; 0 in others."""
        return self._whole_kg / PULSE_S if self._brings_ice else 0.0

    def book(self, water_w: float, dt_s: float) -> None:
        """Keep the day's mean of the heat that pulses took out of the pile [W]."""
        pulse_w = water_w if self.pulsing else 0.0
        self.heat_day_w += (pulse_w - self.heat_day_w) * dt_s / (DAY_S + dt_s)

    def pulse_left_s(self, flow_kg_s: float) -> float:
        """Return how long the pulse still takes at this flow [s]."""
        left_kg = self._pulse_kg - self.moved_kg
        return left_kg / flow_kg_s if flow_kg_s > 0.0 and left_kg > 0.0 else 5.0

    def _moved_enough(self, return_c: float) -> bool:
        """Tell whether a pulse may end: enough has moved, or, while water near freezing still comes back, all of it."""
        return self.moved_kg >= (self._whole_kg if return_c <= PULSE_BELOW_C else self._pulse_kg)

    @property
    def _brings_ice(self) -> bool:
        """Whether what this pulse brought back was as cold as freezing water."""
        return self.coldest_c <= PULSE_BELOW_C

    @property
    def _runs_dry(self) -> bool:
        """Whether no more than a trickle has moved: the pump bears it no better than nothing."""
        return self.moved_kg <= max(DRY_KG, TRICKLE_KG_S * self.pulse_s)

    def _longest_s(self) -> float:
        """Return how long this pulse may take [s]."""
        if not self._runs_dry:
            return LONGEST_PULSE_S if self._brings_ice else PULSE_S
        return DRY_PULSE_S if self.dry < DRY_PATIENCE else DRY_TRY_S

    def _least_wait_s(self, outdoor_c: float, spares: bool) -> float:
        """Return how long the line may stand between two pulses [s]."""
        if self.dry >= DRY_PATIENCE:
            return DRY_WAIT_S
        return min(self.wait_s, shortest_wait_s(outdoor_c, spares)) if self.standing_c < ICE_C else self.wait_s

    def _believed_warm(self, outdoor_c: float) -> bool:
        """Tell whether the last pulse vouches for the whole line still: by the air since, or by the standing probes.

        A line cools no further than the air did: what it showed, less what the air has lost since, bounds it.
        """
        if self._denied:
            return False
        bound_c = self.shown_c - max(self.shown_at_c - self.outdoor_c, 0.0) - GROUND_SINKS_K_S * self.learnt_s
        if bound_c > PULSE_BELOW_C:
            return True
        if not self._knows_gap:
            return False
        colder_k = max(self.learnt_at_c - COLDER_K - outdoor_c, 0.0)
        if colder_k > 0.0 and not self._noise.back.doubted:
            return False
        return self.standing_c - self.gap_k - colder_k > PULSE_BELOW_C  # the gap grows no more than the air cools

    @property
    def _denied(self) -> bool:
        """Whether nothing vouches for the line: the last pulse moved nothing, or a probe shows freezing water."""
        return self.dry > 0.0 or self.standing_c <= PULSE_BELOW_C

    @property
    def _bore_as_much(self) -> bool:
        """Whether the line has lately borne more frost than now, where no probe tells otherwise."""
        return self.borne.covers and self.still_s < LONGEST_WAIT_S and not self._denied

    @property
    def _knows_gap(self) -> bool:
        """Whether what was learnt from a pulse still holds."""
        return self.learnt_s <= BELIEVED_S and self.gap_k == self.gap_k

    def _follow(self, flow_kg_s: float, return_c: float, supply_c: float, elapsed_s: float) -> None:
        self.pulse_s += elapsed_s
        self.learnt_s += elapsed_s
        if flow_kg_s <= 0.0:
            self.still_s += elapsed_s
            if not self.pulsing:
                self.moved_kg, self.coldest_c = 0.0, nan
                self.standing_c = _coldest_standing_c(return_c, supply_c)
            return
        self.moved_kg += flow_kg_s * min(elapsed_s, 120.0)
        if not self._runs_dry:
            self.dry = 0.0
        if return_c < self.coldest_c or self.coldest_c != self.coldest_c:
            self.coldest_c = return_c
        if self.moved_kg >= self._pulse_kg and not self.pulsing:
            self.still_s = 0.0
            self.borne.show(nan)

    def _follow_air(self, outdoor_c: float, elapsed_s: float) -> None:
        if self.outdoor_c != self.outdoor_c:
            self.outdoor_c = outdoor_c
        elif outdoor_c == outdoor_c:
            self.outdoor_c += elapsed_s / (OUTDOOR_FILTER_S + elapsed_s) * (outdoor_c - self.outdoor_c)

    def _end(self, outdoor_c: float, spares: bool = False) -> None:
        self.pulsing, self.still_s = False, 0.0
        self.borne.show(self.coldest_c if self.moved_kg >= self._pulse_kg else nan)
        if self._runs_dry:
            self.dry = min(self.dry + 1.0, DRY_PATIENCE)
        if not (self._noise.back.doubted and self._knows_gap):  # else nothing new was seen
            self.wait_s = next_wait_s(self.wait_s, self.coldest_c, outdoor_c, spares)
        if self.moved_kg >= self._pulse_kg and self.coldest_c == self.coldest_c and not self._noise.back.doubted:
            self.gap_k = max(0.0, self.standing_c - self.coldest_c)
            self.learnt_s, self.learnt_at_c = 0.0, outdoor_c
            settled = self.stood_s >= SETTLED_S  # otherwise it had not cooled through and would promise too much
            self.shown_c, self.shown_at_c = self.coldest_c if settled else nan, self.outdoor_c


def _coldest_standing_c(return_c: float, supply_c: float) -> float:
    """Return the coldest water that stands at a probe [degC]; NaN where the return tells nothing and the supply is not cold.

    Water stands warmer at the pile's end of the line, so there it vouches for nothing.
    """
    if return_c != return_c:
        return supply_c if supply_c <= PULSE_BELOW_C else nan
    return supply_c if supply_c < return_c else return_c
