"""When the water circulates and how fast: leave to draw -> on and off, supply temperature -> flow set-point."""

from __future__ import annotations

from controller.coil import expected_rise_k, flow_for_supply_kg_s
from controller.guards import FAR_BELOW_SHARE
from controller.hot_water import FASTEST, HotWater
from controller.memory import Memory
from controller.pump import Regulator
from controller.seen_supply import SeenSupply
from controller.settings import ControllerSettings

LEAST_ON_S = 180.0
# a cold house with little but air in it cools to its minimum in a minute: longer rests were filled by the backup heater
LEAST_OFF_S = 300.0
LEAST_SHARE = 0.05  # of the flow target
HOT_BAND_K = 3.0  # below the scald limit: from here on more flow cools the water
SETTLE_S = 300.0  # the water first out says nothing about the flow that is right; how long, where the coil is unknown
PASSED = 1.3  # coil contents after which the water was cold when it came in
# in so long what stood hot in the coil is brought through: three quarters of what the scald guard bears
FLUSH_S = 360.0
HOLD_SHARE = 1.0  # of the flow target that holding the supply may add to the textbook flow
# the loop's gains are for water warmed from here: its answer to flow is in proportion to the warming
COLD_RETURN_C = 10.0
MOST_LIVELY, LEAST_RISE_K = 2.0, 2.0
BLIND_UA = 2.0  # a coil may pass so much more than was said; counts where no supply probe shows it
# so much may stand hot in a coil or drum of unknown content: unseen, it counts as hot as the core and is brought through
BLIND_KG = 50.0
SLOWEST, QUICKEST = 0.25, 4.0  # of the integral, against that at the flow target


def livelier(target_c: float, return_c: float) -> float:
    """Return the factor on the supply's error, 1 and up: water that comes back warm answers less to flow.

    With a coil in a bed of even temperature the supply's slope over flow is the warming times a function of the coil and the
    flow alone (derivative of the textbook effectiveness).
    """
    return min(max((target_c - COLD_RETURN_C) / max(target_c - return_c, LEAST_RISE_K), 1.0), MOST_LIVELY)


class WaterLoop(Memory):
    """Leave to draw in, flow set-point out."""

    __slots__ = (
        "_settings",
        "asked_kg_s",
        "hold",
        "hot",
        "limit",
        "off_s",
        "on_s",
        "passed_kg",
        "running",
        "seen",
        "supply",
    )

    def __init__(self, settings: ControllerSettings) -> None:
        self._settings = settings
        target = settings.flow_target_kg_s
        gain = -settings.supply_loop_gain_per_k * target  # more flow cools the water
        integral_gain = gain / settings.supply_loop_integral_s
        self.supply = Regulator(gain, integral_gain, -0.5 * target, 2.0 * target)
        self.hold = Regulator(gain, integral_gain, -target, HOLD_SHARE * target)
        self.running = False
        self.on_s = 0.0
        self.off_s = LEAST_OFF_S
        self.passed_kg = 0.0
        self.asked_kg_s = 0.0
        self.hot = HotWater(settings.supply_max_c)
        self.seen = SeenSupply()
        self.limit = "demand"

    def rest(self, elapsed_s: float) -> float:
        """Stand still; returns the flow, 0."""
        stopped = self.running
        if stopped:
            self.running, self.off_s = False, 0.0
        self.asked_kg_s = 0.0
        self.off_s += elapsed_s
        self.hot.stand(stopped, self.off_s, elapsed_s)
        return 0.0

    def flow_kg_s(
        self,
        may_draw: bool,
        effort: float,
        supply_c: float,
        return_c: float,
        core_c: float,
        hot_core_c: float,
        dt_s: float,
        elapsed_s: float,
        hold_supply: bool = False,
    ) -> float:
        """Return the flow set-point [kg/s], 0 for standing.

        ``hot_core_c``: as hot as the compost round the coil may be, and so what no probe shows. ``hold_supply``: flow
        gives way to the supply temperature, not the other way round.
        """
        if self.running:
            self.on_s += dt_s
            self.passed_kg += self.asked_kg_s * dt_s
            hottest_c = self._hottest_c(supply_c, return_c, hot_core_c, dt_s)
            too_hot = self.hot.flow(hottest_c, self.on_s, dt_s, self.seen.kept_s)
            self.running = not too_hot and (may_draw or self.on_s < LEAST_ON_S / self.hot.quicker(supply_c))
            if not self.running:
                self.off_s = 0.0
        elif may_draw and self.hot.pause_s <= 0.0 and self.off_s >= LEAST_OFF_S:
            self.running, self.on_s, self.passed_kg = True, 0.0, 0.0
            self.seen.begin(supply_c)
            self.hot.begin()
        if not self.running:
            self.limit = "scald" if self.hot.pause_s > 0.0 else "off-time" if may_draw else "pause"
            return self.rest(elapsed_s)
        feared_c = core_c if supply_c == supply_c else hot_core_c
        self.asked_kg_s = self._set_point(effort, supply_c, return_c, feared_c, dt_s, hold_supply)
        return self.asked_kg_s

    def _hottest_c(self, supply_c: float, return_c: float, core_c: float, dt_s: float) -> float:
        """Return the hottest water that either probe shows, since they may be swapped [degC].

        What no probe shows is as hot as a strong coil makes it, and until what stood in coil and drum has passed, as the
        core: a cool reading that does not move while that passes is held or stuck, and one that leaps tells too little.
        """
        shown_c = self.seen.update(supply_c, dt_s)
        shown_c = return_c if return_c > shown_c else shown_c
        coil_w_k, unseen = self._settings.coil_ua_w_k, shown_c != shown_c
        if self.passed_kg < self._stood_kg():
            rise_k = expected_rise_k(core_c, return_c, self.asked_kg_s, coil_w_k)
            held = self.seen.held and shown_c - return_c < FAR_BELOW_SHARE * rise_k
            doubtful = held or self.seen.unmoved(self.on_s) or self.seen.restless
            return core_c if unseen or (doubtful and core_c > shown_c) else shown_c
        if not unseen:
            return shown_c
        by_coil_c = return_c + expected_rise_k(core_c, return_c, self.asked_kg_s, BLIND_UA * coil_w_k)
        last_c = self.seen.mean_c  # as hot as it was last seen in this draw
        return last_c if last_c > by_coil_c else by_coil_c

    def _stood_kg(self) -> float:
        """Return how much water that stood hot may still come where no probe shows it [kg]."""
        content_kg = self._settings.coil_water_kg
        return PASSED * content_kg if content_kg > 0.0 else BLIND_KG

    def _set_point(
        self, effort: float, supply_c: float, return_c: float, core_c: float, dt_s: float, hold_supply: bool
    ) -> float:
        """Return the flow between the least that keeps the water below the scald limit and the target.

        Little is wanted: the least flow, whose water is hot, since it loses least on the way in pumping hours and
        is easiest on the pile. Much is wanted: more, up to the flow target.
        """
        s = self._settings
        hottest_c = s.supply_max_c - HOT_BAND_K
        if supply_c < s.supply_target_c:  # what was learnt from hot water would now overdraw
            self.supply.integral = min(self.supply.integral, 0.0)
        learns_s = self._learning_s(dt_s)
        ua_w_k = s.coil_ua_w_k if supply_c == supply_c else BLIND_UA * s.coil_ua_w_k
        least = flow_for_supply_kg_s(hottest_c, core_c, return_c, ua_w_k)
        more = self.supply.update(
            hottest_c, supply_c, learns_s if self.limit != "flow" or supply_c > hottest_c else 0.0
        )
        if supply_c != supply_c:  # what was learnt from a weak coil must not make unseen water hotter
            more = max(more, 0.0)
        least = max(least + more, LEAST_SHARE * s.flow_target_kg_s, self._flush_kg_s(supply_c, core_c))
        least = self.hasty_kg_s(least, supply_c)
        wanted = effort * s.flow_target_kg_s
        if hold_supply:
            wanted = min(wanted, self._holding_kg_s(supply_c, return_c, core_c, learns_s, wanted))
        if least >= wanted:
            self.limit = "scald" if least > 1.5 * wanted else "supply"
            return min(least, FASTEST * s.flow_target_kg_s)
        self.limit = "flow" if wanted >= 0.98 * s.flow_target_kg_s else "supply"
        return wanted

    def _holding_kg_s(
        self, supply_c: float, return_c: float, core_c: float, learns_s: float, most_kg_s: float
    ) -> float:
        """Return the flow at which the supply comes out at its target: by the textbook, and what was learnt beyond.

        Nothing is learnt while more flow is wanted than there may be: what cannot be had must not pile up.
        """
        s = self._settings
        flow_kg_s = flow_for_supply_kg_s(s.supply_target_c, core_c, return_c, s.coil_ua_w_k)
        held = flow_kg_s + self.hold.integral >= most_kg_s and supply_c > s.supply_target_c
        target_c = s.supply_target_c
        measured = s.coil_water_kg > 0.0  # gains that nobody measured stay as slow as they are
        factor = livelier(target_c, return_c) if measured else 1.0
        seen_c = target_c + factor * (supply_c - target_c)
        return flow_kg_s + self.hold.update(target_c, seen_c, 0.0 if held else learns_s)

    def _flush_kg_s(self, supply_c: float, core_c: float) -> float:
        """Return the flow that brings through what stood in the coil, while it comes too hot; 0 where that is not known.

        No flow cools that water; if it comes slowly, the scald guard stops the pump again and again before any of the
        water comes that was warmed on its way, and a long draw never becomes steady. But most draws are short, and a burst
        of hot water overheats the house: on an invented small pile it cost a quarter of the backup avoided. So it is
        done only in a draw that the guard has stopped again and again, and where no probe shows that water: then it shall
        have passed before the guard must stop a draw whose water it cannot see.
        """
        s = self._settings
        unseen = supply_c != supply_c and core_c > s.supply_max_c
        hot = unseen or (supply_c > s.supply_max_c - HOT_BAND_K and self.hot.patience_is_out)
        through_kg = self._stood_kg() if unseen else PASSED * s.coil_water_kg
        return through_kg / FLUSH_S if hot and self.passed_kg < through_kg else 0.0

    def hasty_kg_s(self, flow_kg_s: float, supply_c: float) -> float:
        """Return the flow, or more when it is to be over sooner since much too hot water has flowed of late."""
        quicker = self.hot.quicker(supply_c)
        return max(flow_kg_s, quicker * self._settings.flow_target_kg_s) if quicker > 1.0 else flow_kg_s

    def _learning_s(self, dt_s: float) -> float:
        """Return the step of the supply's integral [s]: 0 while the water first out passes, longer the more flows.

        Both gain and lag of the supply over flow go down as the flow goes up, and their ratio hardly changes: by SIMC
        (Skogestad 2003) the proportional gain then stays and the integral time goes with the lag.
        """
        if self._is_fresh():
            return 0.0
        return dt_s * min(max(self.asked_kg_s / self._settings.flow_target_kg_s, SLOWEST), QUICKEST)

    def _is_fresh(self) -> bool:
        """Tell whether what stood in the coil is still passing the supply probe."""
        content_kg = self._settings.coil_water_kg
        return self.passed_kg < PASSED * content_kg if content_kg > 0.0 else self.on_s <= SETTLE_S
