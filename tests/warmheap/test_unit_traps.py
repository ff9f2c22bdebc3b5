"""Eleven ways in which units go wrong, each with its own test; and what is shown comes back as it was written."""

from __future__ import annotations

import datetime
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.settings import ControllerSettings, SettingsError
from sim import Scenario
from sim.quantities import QuantityError as SimQuantityError
from sim.quantities import to_si as sim_si
from sim.scenario import ScenarioError
from warmheap.errors import UsageError
from warmheap.fuels import FUELS
from warmheap.savings import Price, avoided
from warmheap.units import QuantityError, from_si, to_si


def test_trap_1_a_difference_is_no_reading() -> None:
    assert to_si("5 delta_degF", "K") == pytest.approx(2.7778, abs=1e-4)  # not -15
    assert sim_si("5 delta_degF", "K") == pytest.approx(2.7778, abs=1e-4)
    with pytest.raises(QuantityError, match="does not fit"):
        to_si("5 degF", "K")
    with pytest.raises(SimQuantityError, match="not a difference"):
        sim_si("5 degF", "K")


def test_trap_2_m_is_a_thousand_in_mbh_and_mm_a_million() -> None:
    assert to_si("1 MBH", "W") == pytest.approx(293.071, abs=1e-3)  # NIST SP 811: 1 Btu/h = 0.2930711 W
    assert to_si("1 MMBtu", "J") == pytest.approx(1e6 * to_si("1 Btu", "J"))
    assert to_si("14.74 MMBtu", "J") / 3.6e6 == pytest.approx(4320.0, abs=0.5)
    with pytest.raises(QuantityError):
        to_si("1 MBtu", "J")  # a thousand or a million? not guessed


def test_trap_3_us_gallons_and_no_unsaid_tons() -> None:
    assert to_si("1 gal", "m3") == pytest.approx(3.785411784e-3)  # not the imperial 4.546 L
    assert to_si("1 t", "kg") == 1000.0
    for text in ("1 ton", "1 tons"):
        with pytest.raises(QuantityError, match="does not fit"):
            to_si(text, "kg")
    assert FUELS["pellets-ton"].content_kwh / FUELS["pellets-kg"].content_kwh == pytest.approx(907.18474)


def test_trap_4_gross_and_net_heat_are_not_mixed() -> None:
    with pytest.raises(UsageError, match="gross"):
        avoided(100, 90, 110, "gas", 1.07)  # a condensing boiler against the net value
    assert "gross" in avoided(100, 90, 110, "gas", 0.93).counterfactual


def test_trap_5_power_energy_and_charge_are_kept_apart() -> None:
    for text, kind in (("2 kWh", "W"), ("2 kW", "J"), ("60 Wh", "W")):
        with pytest.raises(QuantityError):
            to_si(text, kind)
    with pytest.raises(SimQuantityError):
        sim_si("100 W hour", "A s")
    assert sim_si("100 A hour", "A s") == 360_000.0


def test_trap_6_gauge_and_absolute_pressure() -> None:
    assert sim_si("1 psi", "Pa") == pytest.approx(6894.757, abs=1e-3)
    for text in ("5 psig", "5 psia"):
        with pytest.raises(SimQuantityError, match="unit"):
            sim_si(text, "Pa")


def test_trap_7_gallons_an_hour_and_a_minute() -> None:
    assert to_si("1 gal/min", "kg/s") == pytest.approx(60.0 * to_si("1 gal/h", "kg/s"))
    assert sim_si("1 gal/min", "m3/s") == pytest.approx(60.0 * sim_si("1 gal/hour", "m3/s"))
    with pytest.raises(QuantityError):
        to_si("1 gph", "kg/s")


def test_trap_8_dates_have_one_order_and_days_have_24_hours() -> None:
    text = 'title = "x"\ninvented = true\n[place]\nweather = "pvlib:723170TYA.CSV"\nstart = "{}"\n'
    for start in ("15-11", "11/15", "02-29"):
        with pytest.raises(ScenarioError, match=r"place\.start"):
            Scenario.from_toml(text.format(start))
    across = Scenario.from_toml(text.format("03-01"))  # daylight saving begins in it
    assert across.place.start_hour == 59 * 24
    price = Price(1.0, "USD", datetime.date(2026, 3, 4))
    assert price.age_days(datetime.date(2026, 4, 3)) == 30  # 4 March, not 3 April


def test_trap_8_daily_heat_adds_up_over_the_night_the_clocks_change() -> None:
    from sim.plan import make_plan

    scenario = Scenario.load("scenarios/mild-wet-winter.toml").varied({"place.start": "03-05"})
    plan = make_plan(scenario, 12)
    assert plan.need_day_kwh.shape == (12,)
    assert float(np.sum(plan.need_day_kwh)) == pytest.approx(plan.need_kwh)


def test_trap_9_a_decimal_comma_is_refused_not_misread() -> None:
    with pytest.raises(QuantityError, match="comma"):
        to_si("4,5 L/min", "kg/s")
    with pytest.raises(SimQuantityError):
        sim_si("4,5 L/min", "m3/s")


def test_trap_10_120_degrees_come_back_as_120() -> None:
    assert from_si(to_si("120 degF", "degC"), "degC", "degF") == "120 degF"


def test_trap_11_duty_is_a_share() -> None:
    assert to_si("50 %", "1") == 0.5
    with pytest.raises(SettingsError, match="pump_start_duty"):
        ControllerSettings(pump_start_duty=50.0)


SHOWN = {
    "degF": ("degC", -40.0, 212.0, 1),
    "gal/min": ("kg/s", 0.1, 99.0, 2),
    "BTU/h": ("W", 0.0, 99_999.0, 0),
    "BTU": ("J", 0.0, 99_999.0, 0),
    "kWh": ("J", 0.0, 9_999.0, 1),
    "cfm": ("kg/s air", 10.0, 1500.0, 0),
}


@pytest.mark.parametrize("unit", SHOWN)
@given(share=st.floats(0.0, 1.0))
def test_what_is_shown_comes_back_to_its_digits(unit: str, share: float) -> None:
    kind, low, high, digits = SHOWN[unit]
    number = round(low + share * (high - low), digits)
    back = from_si(to_si(f"{number} {unit}", kind), kind, unit)
    text, _, shown_unit = back.partition(" ")
    assert shown_unit == unit
    assert round(float(text), digits) == pytest.approx(number, abs=1e-12)
    assert math.isfinite(float(text))
