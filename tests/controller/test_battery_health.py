"""A flat battery, a worn one and a latched charge controller told apart by volts alone, on a battery of this file's own."""

from __future__ import annotations

from dataclasses import dataclass
from math import nan
from random import Random

import pytest

from controller import LEAD_ACID, LITHIUM, Controller, ControllerSettings
from controller.battery_health import DARK_S, FINE, FLAT, LATCHED, LOW, WORN, BatteryHealth, diagnosis
from controller.power import CHEMISTRIES, Battery, sag_v


@pytest.mark.parametrize(
    ("low", "idle", "sag", "dark_s", "charged", "used_wh", "verdict"),
    [
        (False, False, nan, 9 * DARK_S, False, 0.0, FINE),
        (False, True, 1.0, 0.0, False, 0.0, FINE),  # it pulls: the fault is not electrical
        (False, True, 0.1, 0.0, True, 300.0, LATCHED),
        (False, True, nan, 0.0, True, 300.0, FINE),  # cannot be told
        (True, False, 0.1, DARK_S, True, 300.0, LATCHED),
        (True, False, 0.1, 0.0, True, 300.0, LOW),  # charged today: not cut off
        (True, False, 1.0, DARK_S, True, 300.0, FLAT),
        (True, False, nan, DARK_S, False, 0.0, FLAT),
        (True, False, 3.5, DARK_S, True, 300.0, WORN),
        (True, False, 1.0, 3600.0, True, 20.0, WORN),  # charged for hours, empty after little work
        (True, False, 1.0, 3600.0, True, 300.0, LOW),
        (True, False, nan, 3600.0, False, 20.0, LOW),
    ],
)
def test_diagnosis(
    low: bool, idle: bool, sag: float, dark_s: float, charged: bool, used_wh: float, verdict: str
) -> None:
    assert diagnosis(low, idle, sag, dark_s, charged, used_wh) == verdict


@dataclass
class Supply:
    """A battery with a resistance, a panel that shines from 9 to 15, and a meter with noise."""

    volts: float = 12.6
    ohm: float = 0.05
    sunny: bool = True
    cut: bool = False

    def __post_init__(self) -> None:
        self.health, self.chance, self.time_s = BatteryHealth(13.2, 60.0), Random(1), 0.0

    def days(self, days: float, tick_s: float = 30.0, fall_v_day: float = 0.0) -> BatteryHealth:
        for _ in range(round(days * 86400.0 / tick_s)):
            self.time_s += tick_s
            hour = self.time_s / 3600.0 % 24.0
            duty = 0.7 if self.time_s % 7200.0 < 600.0 else 0.0
            sag = 0.0 if self.cut else self.ohm * 5.0 * duty
            shine = 13.8 if self.sunny and not self.cut and 9.0 < hour < 15.0 else 0.0
            self.volts -= fall_v_day * tick_s / 86400.0
            seen = max(self.volts - sag, shine) + self.chance.gauss(0.0, 0.02)
            self.health.update(seen, duty, tick_s)
        return self.health


def test_a_sound_battery_is_fine_and_a_load_cut_off_shows_by_the_missing_sag() -> None:
    supply = Supply()
    health = supply.days(3)
    assert health.sag_change == pytest.approx(1.0, abs=0.5)
    assert health.verdict(low=False, idle=True) == FINE
    supply.cut = True
    assert supply.days(1.5).verdict(low=False, idle=True) == LATCHED


def test_a_motor_that_does_its_work_is_not_cut_off() -> None:
    """Stout wires: the sag of a start is no more than the noise, and a flat battery would be told as a load cut off."""
    supply = Supply(ohm=0.025)
    health = supply.days(3)
    health.sag_share = 0.2 * health.usual_share
    supply.sunny = False
    health.dark_s = DARK_S
    assert health.verdict(low=True, idle=False) == LATCHED
    health.load_works()
    assert health.verdict(low=True, idle=False) == FLAT
    health.sag_share = 4.0 * health.usual_share
    health.load_works()
    assert health.verdict(low=True, idle=False) == WORN  # working proves nothing against that


def test_a_flat_battery_is_one_that_saw_no_sun() -> None:
    supply = Supply()
    supply.days(3)
    supply.sunny = False
    assert supply.days(2, fall_v_day=0.4).verdict(low=True, idle=False) == FLAT


def test_a_worn_battery_gives_way_more_than_it_used_to() -> None:
    supply = Supply()
    supply.days(3)
    supply.ohm = 0.3
    assert supply.days(1).verdict(low=True, idle=False) == WORN


def test_what_cannot_be_told_is_called_low() -> None:
    stout = Supply(ohm=0.0).days(3)  # so stout that a start never shows
    assert stout.sag_change != stout.sag_change
    assert stout.verdict(low=False, idle=True) == FINE
    dark = Supply(sunny=False)
    assert dark.days(0.5).verdict(low=True, idle=False) == LOW


def test_sag_by_hand() -> None:
    assert sag_v(1.0, 60.0) == pytest.approx(0.4)
    assert sag_v(0.5, 30.0) == pytest.approx(0.1)


def test_each_chemistry_has_its_own_voltages_in_order() -> None:
    """Load reconnect above disconnect, charge above both (a charge controller manual's ordering rule)."""
    for chemistry in CHEMISTRIES.values():
        assert chemistry.empty_v < chemistry.low_v < chemistry.ok_v < chemistry.charging_v
    assert ControllerSettings(battery_kind=LITHIUM).battery_low_v == 12.8
    assert ControllerSettings(battery_kind=LITHIUM, battery_low_v=12.6, battery_ok_v=13.0).battery_low_v == 12.6
    assert ControllerSettings(battery_kind=LEAD_ACID).battery_low_v == 11.9


def test_two_supplies_may_have_batteries_of_two_chemistries() -> None:
    both = ControllerSettings(battery_low_v=12.0)
    assert both.fan_battery == both.pump_battery == Battery(LEAD_ACID, 12.0, 12.4)
    mixed = ControllerSettings(battery_low_v=12.0, fan_battery_kind=LITHIUM)
    assert mixed.pump_battery == both.pump_battery and mixed.fan_battery == Battery(LITHIUM, 12.8, 13.1)
    controller = Controller(mixed)
    for _ in range(60):  # 12.6 V: well charged for the pump's, empty for the fan's
        controller.pump_battery.update(12.6, 0.0, 60.0)
        controller.fan_battery.update(12.6, 0.0, 60.0)
    assert controller.pump_battery.allowed and not controller.fan_battery.allowed


def test_power_of_the_motors_is_used() -> None:
    weak, strong = (Controller(ControllerSettings(pump_power_w=w, fan_power_w=w)) for w in (12.0, 240.0))
    for c in (weak, strong):
        c.pump_battery.update(11.85, 1.0, 0.0)
        c.fan_battery.update(11.85, 1.0, 0.0)
    assert strong.pump_battery.volts == pytest.approx(11.85 + 1.6)
    assert weak.fan_battery.volts == pytest.approx(11.85 + 0.08)
