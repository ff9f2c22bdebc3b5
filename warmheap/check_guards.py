"""What a check may do at most with pump and fan: batteries, ice, scalding water, a dry pump, and the pile's heat.

A check is also made on a pile that is being built and still cold, and where no flow meter is; so these guards are not
those of a commissioning session, though made of the same parts.
"""

from __future__ import annotations

from math import isfinite, nan

from controller.checks import Readings, SensorChecks
from controller.commissioning_watch import FAR_TOO_HOT_K, MOVES_KG_S, SPARE_K, HeatUsed
from controller.guards import hand_run_takes_heat
from controller.power import BatteryGuard
from controller.settings import ControllerSettings
from controller.signals import Commands, Measurements

DRY_S = 30.0  # a pump is not driven longer than this without a sign of water
CORE_K = 0.5  # no check cools the core by more
ICE_C = 1.0
STONE_COLD_C = 30.0  # a pile that has not begun to work: no heat to lose (own judgement)
LONGEST_STEP_S = 60.0
OFF = Commands()


class Guards:
    """Looks at every measurement; ``against`` says why an output must not run now, or nothing."""

    def __init__(self, settings: ControllerSettings) -> None:
        s = self._settings = settings
        self._checks, self._heat = SensorChecks(), HeatUsed(s)
        self._heat.coil_kg = s.coil_water_kg
        self._batteries = {
            "pump": BatteryGuard(s.pump_battery.low_v, s.pump_battery.ok_v, s.pump_power_w),
            "fan": BatteryGuard(s.fan_battery.low_v, s.fan_battery.ok_v, s.fan_power_w),
        }
        self._readings: Readings = self._checks.read(Measurements(time_s=0.0), 0.0)
        self._last_s = self._at_rest_c = nan
        self.dry_s = 0.0
        self.proven = False  # water was seen to move, or came out into the bucket

    @property
    def cooled_k(self) -> float:
        """By how much the check has cooled the core, on the safe side."""
        return self._heat.cooled_k

    def look(self, m: Measurements, put_out: Commands) -> None:
        """Take the measurements that came of ``put_out``."""
        dt_s = min(max(m.time_s - self._last_s, 0.0), LONGEST_STEP_S) if isfinite(self._last_s) else 0.0
        self._last_s = m.time_s
        r = self._readings = self._checks.read(m, m.time_s)
        self._batteries["pump"].update(m.pump_battery_v, put_out.pump_duty, dt_s)
        self._batteries["fan"].update(m.fan_battery_v, put_out.fan_duty, dt_s)
        if put_out.pump_duty <= 0.0:
            self._at_rest_c = r.water_supply_c
            return
        self._note_dry(r, dt_s)
        seen = self._settings.flow_meter_gain * r.water_flow_kg_s
        self._heat.book(seen if isfinite(seen) else put_out.pump_duty * self._settings.pump_full_flow_kg_s, r, dt_s)

    def _note_dry(self, r: Readings, dt_s: float) -> None:
        if r.water_flow_kg_s > MOVES_KG_S:
            self.proven, self.dry_s = True, 0.0
        elif isfinite(r.water_flow_kg_s) or not self.proven:
            self.dry_s += dt_s

    def against(self, output: str) -> str:
        """Why ``output`` must not run now; empty when it may."""
        return self._against_pump() if output == "pump" else self._against_fan()

    def _against_pump(self) -> str:
        s, r = self._settings, self._readings
        coldest_c = min((c for c in (r.water_supply_c, r.water_return_c) if isfinite(c)), default=nan)
        checks = (
            (not self._batteries["pump"].allowed, "its battery is low"),
            (coldest_c < ICE_C, f"water at {coldest_c:.1f} °C, the line may be frozen"),
            (r.water_supply_c > s.supply_max_c + FAR_TOO_HOT_K, "the water is dangerously hot"),
            (self.dry_s >= DRY_S, f"{DRY_S:.0f} s without a sign of water"),
            (self._takes_heat(r), f"{self._core(r)}, and the water takes heat"),
            (self.cooled_k >= CORE_K, f"it has cooled the core by {CORE_K:g} K"),
        )
        return next((reason for bites, reason in checks if bites), "")

    def _against_fan(self) -> str:
        if not self._batteries["fan"].allowed:
            return "its battery is low"
        if self._readings.greenhouse_co2 > self._settings.co2_max:
            return "too much CO2 in the greenhouse"
        return ""

    def _core(self, r: Readings) -> str:
        known = isfinite(r.pile_core_c) or isfinite(r.pile_edge_c)
        return "the core is too near its floor" if known else "no pile probe reads"

    def _takes_heat(self, r: Readings) -> bool:
        """Whether a pile near its floor, or unseen, would lose heat: the controller's rule for runs by hand."""
        core_c = r.pile_core_c if isfinite(r.pile_core_c) else r.pile_edge_c
        if core_c >= self._settings.pile_floor_c + SPARE_K or core_c < STONE_COLD_C:
            return False
        back_c = r.water_return_c if isfinite(r.water_return_c) else self._at_rest_c
        return hand_run_takes_heat(r.water_supply_c, back_c)
