"""What a commissioning session may do at most: every guard here can only lower a duty, none can raise one."""

from __future__ import annotations

from math import inf, nan
from typing import NamedTuple

from controller.checks import COLD_RETURN_C, Readings, SensorChecks
from controller.clock import Clock
from controller.media import WATER_J_KG_K
from controller.memory import Memory
from controller.power import BatteryGuard
from controller.settings import ControllerSettings
from controller.signals import Measurements

SPARE_K, BACK_K = 2.0, 0.5  # the core must be this far above its floor, and that much more once it was not
GUARD_SHARE = 0.9  # of the cooling that the session may cause
TANKS, UA_MARGIN = 10, 3.0
CORE_J_KG_K = 560.0  # of the core (a fifth of the pile) per kg of the whole; wet compost 3 kJ/kg K (from memory)
MOVES_KG_S = 0.004
DRY_DUTY, DRY_S = 0.4, 75.0  # so long may a pump be driven so hard without water
FAR_TOO_HOT_K = 22.0  # above the scald limit
LONGEST_SILENCE_S = 30.0
FREE = ""


class Permission(NamedTuple):
    """The most that somebody allows: duties 0..1, and why not more (a sentence; empty when nothing is held back).

    ``lasting`` says that waiting would not help within the session.
    """

    pump_duty: float = 1.0
    fan_duty: float = 1.0
    reason: str = FREE
    lasting: bool = False  # waiting would not help

    def and_also(self, other: Permission) -> Permission:
        """Return the lower of both for each output, with the reason of the one that binds."""
        binding = other if other.pump_duty < self.pump_duty or other.fan_duty < self.fan_duty else self
        return Permission(
            min(self.pump_duty, _share(other.pump_duty)),
            min(self.fan_duty, _share(other.fan_duty)),
            binding.reason,
            binding.lasting,
        )


def _share(duty: float) -> float:
    """A permission that is no number allows nothing."""
    return min(max(duty, 0.0), 1.0) if duty == duty else 0.0


class HeatUsed(Memory):
    """How far the session has cooled the core, from the heat that the bed gave to the water.

    Two figures, each on the safe side in its own way, and the smaller counts. One is the heat carried off less what the
    water in the coil lost itself: too much while that water is still passing. The other warms new water in a coil of
    ten tanks that is three times as good as the settings say.
    """

    __slots__ = (
        "_settings",
        "coil_kg",
        "given_j",
        "hottest_c",
        "pumped_kg",
        "taken_j",
        "tanks_c",
        "water_back_c",
        "water_out_c",
    )

    def __init__(self, settings: ControllerSettings) -> None:
        self._settings = settings
        self.coil_kg = 0.0
        self.taken_j = self.pumped_kg = self.given_j = 0.0
        self.hottest_c = self.water_out_c = self.water_back_c = nan
        self.tanks_c = [nan] * TANKS

    @property
    def cooled_k(self) -> float:
        """Mean cooling of the core so far [K]; not below the truth as long as the pile holds the mass in the settings."""
        own_j = 0.0
        if self.hottest_c == self.hottest_c and self.pumped_kg > 0.0:
            kept = min(self.coil_kg, self.pumped_kg) * WATER_J_KG_K
            own_j = kept * max(self.hottest_c - 0.5 * (self.water_out_c + self.water_back_c), 0.0)
        given_j = max(self.taken_j - own_j, 0.0)
        if self.coil_kg > 0.0:
            given_j = min(given_j, self.given_j)
        return given_j / (CORE_J_KG_K * self._settings.pile_wet_mass_kg)

    def book(self, flow_kg_s: float, r: Readings, dt_s: float) -> None:
        """Add a step; what is not measured is taken so that more was drawn, not less."""
        out_c = r.water_supply_c if r.water_supply_c == r.water_supply_c else self.hottest_c
        back_c = r.water_return_c if r.water_return_c == r.water_return_c else COLD_RETURN_C
        if flow_kg_s <= 0.0 or out_c != out_c:
            return
        self.pumped_kg += flow_kg_s * dt_s
        self.taken_j += max(0.0, WATER_J_KG_K * flow_kg_s * (out_c - back_c)) * dt_s
        self.hottest_c = out_c if self.hottest_c != self.hottest_c else max(self.hottest_c, out_c)
        self.water_out_c, self.water_back_c = out_c, back_c
        if self.coil_kg > 0.0:
            self._warm(flow_kg_s, max(r.pile_core_c, self.hottest_c), back_c, dt_s)

    def _warm(self, flow_kg_s: float, bed_c: float, back_c: float, dt_s: float) -> None:
        """Advance the tanks (implicitly, so that any step is stable) and add what the bed gave them."""
        tank_j_k = self.coil_kg / TANKS * WATER_J_KG_K
        moved = flow_kg_s * WATER_J_KG_K * dt_s / tank_j_k
        passed = UA_MARGIN * self._settings.coil_ua_w_k / TANKS * dt_s / tank_j_k
        before_c = back_c
        for i, tank_c in enumerate(self.tanks_c):
            old_c = tank_c if tank_c == tank_c else bed_c
            new_c = (old_c + moved * before_c + passed * bed_c) / (1.0 + moved + passed)
            self.given_j += max(0.0, passed * (bed_c - new_c)) * tank_j_k
            self.tanks_c[i] = before_c = new_c


class Watch(Memory):
    """The guards of a session: sensors, batteries, pile floor, heat budget, dry run, heat at the tap, bad air, silence."""

    __slots__ = (
        "_allowed_k",
        "_settings",
        "checks",
        "clock",
        "cold",
        "dry_s",
        "fan_battery",
        "heat",
        "pump_battery",
    )

    def __init__(self, settings: ControllerSettings, core_k: float = 1.0) -> None:
        s = self._settings = settings
        self._allowed_k = core_k
        self.clock = Clock()
        self.checks = SensorChecks()
        self.pump_battery = BatteryGuard(s.pump_battery.low_v, s.pump_battery.ok_v)
        self.fan_battery = BatteryGuard(s.fan_battery.low_v, s.fan_battery.ok_v)
        self.heat = HeatUsed(s)
        self.dry_s = 0.0
        self.cold = False

    def look(self, m: Measurements, pump_duty: float, fan_duty: float) -> tuple[Readings, Permission]:
        """Take the measurements that came of the duties last applied; return what to believe and what is allowed."""
        clock = self.clock
        clock.advance(m.time_s)
        r = self.checks.read(m, clock.now_s)
        flow = self._flow_kg_s(r, pump_duty)
        self.heat.book(flow, r, clock.dt_s)
        self._note_dry(r, pump_duty)
        pump_ok = self.pump_battery.update(r.pump_battery_v, pump_duty, clock.dt_s)
        fan_ok = self.fan_battery.update(r.fan_battery_v, fan_duty, clock.dt_s)
        pump_reason, lasting = self._against_pump(r, pump_ok)
        fan_reason = self._against_fan(r, fan_ok)
        return r, Permission(
            0.0 if pump_reason else 1.0, 0.0 if fan_reason else 1.0, pump_reason or fan_reason, lasting
        )

    @property
    def cut_off(self) -> bool:
        """Whether the last step came after so long a silence that nobody knows what happened in it."""
        return self.clock.elapsed_s > LONGEST_SILENCE_S

    @property
    def spent(self) -> bool:
        """Whether the heat that a session may take is used up."""
        return self.heat.cooled_k >= GUARD_SHARE * self._allowed_k

    def _flow_kg_s(self, r: Readings, pump_duty: float) -> float:
        if pump_duty <= 0.0:
            return 0.0
        if r.water_flow_kg_s == r.water_flow_kg_s:
            return max(r.water_flow_kg_s, 0.0)
        return pump_duty * self._settings.pump_full_flow_kg_s if self._has_warmed(r) else 0.0

    def _has_warmed(self, r: Readings) -> bool:
        """Without a meter: water moves once the supply is near the core."""
        return r.water_supply_c > 0.5 * (r.pile_core_c + min(r.water_supply_c, 20.0)) if r.pile_core_c > 0.0 else True

    def _note_dry(self, r: Readings, pump_duty: float) -> None:
        if pump_duty <= DRY_DUTY or r.water_flow_kg_s > MOVES_KG_S:
            self.dry_s = 0.0 if r.water_flow_kg_s > MOVES_KG_S or pump_duty > 0.0 else self.dry_s
        elif r.water_flow_kg_s == r.water_flow_kg_s:
            self.dry_s += self.clock.dt_s

    def _against_pump(self, r: Readings, battery_ok: bool) -> tuple[str, bool]:
        s = self._settings
        core_c = r.pile_core_c if r.pile_core_c == r.pile_core_c else r.pile_edge_c
        self.cold = core_c < s.pile_floor_c + SPARE_K + (BACK_K if self.cold else 0.0)
        checks = (  # whether it bites, why, whether it will last
            (not battery_ok, "the pump's battery is low", False),
            (core_c != core_c, "no pile probe works: nobody would see the pile go cold", False),
            (self.cold, "the core is too near its floor", True),
            (r.water_supply_c != r.water_supply_c, "the supply probe gives no reading", False),
            (r.water_supply_c > s.supply_max_c + FAR_TOO_HOT_K, "the water is dangerously hot", False),
            (self.dry_s > DRY_S, "no water moves: the pump may run dry", True),
            (self.spent, f"the session has taken the heat it may take ({self._allowed_k:g} K of the core)", True),
        )
        return next(((reason, lasts) for bites, reason, lasts in checks if bites), ("", False))

    def _against_fan(self, r: Readings, battery_ok: bool) -> str:
        s = self._settings
        checks = (
            (not battery_ok, "the fan's battery is low"),
            (r.greenhouse_co2 > s.co2_max, "the greenhouse air holds too much carbon dioxide"),
            (not r.pile_core_c < inf and not r.pile_edge_c < inf, "no pile probe works"),
        )
        return next((reason for bites, reason in checks if bites), "")
