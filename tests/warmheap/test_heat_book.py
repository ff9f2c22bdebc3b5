from dataclasses import astuple, replace
from math import isfinite, nan, sqrt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller import ControllerSettings, Measurements
from controller.media import WATER_J_KG_K
from warmheap.heat_book import BOOKED, LINE_LOSS_W_M_K, ONE_INCH_M2, HeatBook
from warmheap.heat_error import Accuracy, Heat, air_delivered, plus_minus, useful, water_delivered, water_out

S = ControllerSettings(fan_full_flow_kg_s=0.05)
READ = {
    "pile_core_c": 58.0, "water_supply_c": 40.0, "water_return_c": 20.0, "water_flow_kg_s": 0.06, "greenhouse_c": 5.0,
    "greenhouse_rh": 0.8, "outdoor_c": 0.0, "air_supply_c": 30.0, "air_supply_rh": 1.0, "pump_battery_v": 12.0,
}  # fmt: skip


def booked(steps, book=None, every_s=60.0, began_s=1e9):
    """Sums over ticks of (readings that differ from ``READ``, pump duty, fan duty)."""
    book = book or HeatBook(S)
    sums = dict.fromkeys(BOOKED, 0.0)
    for n, (readings, pump, fan) in enumerate(steps):
        found = book.book(Measurements(time_s=began_s + every_s * n, **(READ | readings)), pump, fan)
        for name in BOOKED:
            sums[name] += getattr(found, name)
    return sums


def test_an_hour_of_steady_flow_is_mass_times_heat_capacity_times_rise():
    sums = booked([({}, 0.3, 0.0)] * 61)
    assert sums["water_j"] == pytest.approx(3600.0 * 0.06 * WATER_J_KG_K * 20.0)
    assert sums["water_kg"] == pytest.approx(216.0)
    assert sums["water_useful_j"] == pytest.approx(sums["water_j"])
    assert sums["span_s"] == 3600.0 and sums["gap_s"] == sums["blind_s"] == sums["water_est_j"] == 0.0


def test_the_bucket_corrects_the_meter():
    sums = booked([({}, 0.3, 0.0)] * 61, HeatBook(replace(S, flow_meter_gain=1.1)))
    assert sums["water_kg"] == pytest.approx(1.1 * 216.0)


def test_nothing_is_credited_while_the_pump_stands_whatever_the_probes_say():
    sums = booked([({"water_flow_kg_s": 0.02}, 0.0, 0.0)] * 61)  # water creeps round by itself
    assert sums["water_j"] == sums["water_est_j"] == sums["water_dead_j"] == 0.0


def test_heat_that_the_house_gives_back_to_the_pile_is_booked_against_it():
    sums = booked([({"water_supply_c": 20.0, "water_return_c": 24.0}, 0.3, 0.0)] * 61)
    given_back_j = 3600.0 * 0.06 * WATER_J_KG_K * 4.0
    assert sums["water_j"] == pytest.approx(-given_back_j) and sums["water_useful_j"] == pytest.approx(-given_back_j)
    assert sums["back_j"] == pytest.approx(given_back_j)  # and told apart, so that a small sum can be understood
    assert useful(sums, Accuracy()).kwh < 0.0
    assert booked([({}, 0.3, 0.0)] * 61)["back_j"] == 0.0


@pytest.mark.parametrize("flow_kg_s", [nan, 0.0, 0.02, -0.02])
@pytest.mark.parametrize(("supply_c", "return_c"), [(40.0, 20.0), (20.0, 40.0)])
def test_what_flows_by_itself_is_neither_credited_nor_charged(flow_kg_s, supply_c, return_c):
    """A meter does not tell which way water creeps, so neither a siphon forward nor one back is an amount."""
    seen = {"water_flow_kg_s": flow_kg_s, "water_supply_c": supply_c, "water_return_c": return_c}
    sums = booked([(seen, 0.0, 0.0)] * 61)
    names = ("water_j", "water_est_j", "water_useful_j", "back_j", "water_kg", "water_est_kg", "water_dead_j")
    assert [sums[name] for name in names] == [0.0] * len(names)
    assert sums["span_s"] == 3600.0


def test_air_that_cools_the_house_is_taken_off():
    sums = booked([({"air_supply_c": 2.0}, 0.0, 1.0)] * 61)
    assert sums["air_j"] < 0.0 and sums["air_useful_j"] == sums["air_j"] == -sums["back_j"]


def test_a_loss_is_charged_where_nobody_knows_whether_heat_was_wanted():
    back = {"water_supply_c": 20.0, "water_return_c": 24.0}
    unknown, hot = (booked([(back | {"greenhouse_c": c}, 0.3, 0.0)] * 61) for c in (nan, S.greenhouse_ceiling_c + 1.0))
    assert unknown["water_useful_j"] == unknown["water_j"] < 0.0
    assert hot["water_useful_j"] == 0.0 > hot["water_j"]  # a house that is too warm has lost nothing it wanted


def test_heat_that_nearly_cancels_does_not_blow_up_what_was_useful():
    """10 MJ came while wanted, 9.99 MJ went back while not: useful is 10 MJ less the line's 1 MJ, not a thousandfold."""
    sums = dict.fromkeys(BOOKED, 0.0) | {"water_j": 1e4, "water_useful_j": 1e7, "line_loss_j": 1e6, "water_kg": 100.0}
    found = useful(sums, Accuracy())
    assert found.kwh == pytest.approx(9.0 / 3.6)
    assert found.half_kwh == water_delivered(sums, Accuracy()).half_kwh > 0.0


def test_a_meter_that_counts_backwards_credits_nothing():
    sums = booked([({"water_flow_kg_s": -0.05}, 0.3, 0.0)] * 61)
    assert sums["water_kg"] == sums["water_j"] == sums["water_est_j"] == sums["water_useful_j"] == 0.0


def test_nothing_is_useful_while_the_greenhouse_is_too_warm_or_unknown():
    for house_c in (S.greenhouse_ceiling_c + 1.0, nan):
        sums = booked([({"greenhouse_c": house_c}, 0.3, 0.5)] * 61)
        assert sums["water_j"] > 0.0 and sums["water_useful_j"] == sums["air_useful_j"] == 0.0
        assert useful(sums, Accuracy()).kwh == 0.0


def test_a_meter_that_stands_while_the_pump_turns_credits_nothing_and_says_how_much():
    sums = booked([({"water_flow_kg_s": 0.0}, 0.3, 0.0)] * 61)
    assert sums["water_j"] == 0.0 and sums["water_dead_j"] > 0.0
    assert water_out(sums, Accuracy()) == Heat(0.0, 0.0)


def test_a_meter_that_counts_while_the_pump_stands_is_not_believed_afterwards():
    creeping = {"water_flow_kg_s": 0.06}
    sums = booked([(creeping, 0.0, 0.0)] * 10 + [(creeping, 0.3, 0.0)] * 30)
    assert sums["water_j"] == 0.0 and sums["water_dead_j"] > 0.0


def test_a_meter_that_is_quiet_again_is_believed_again():
    steps = [({"water_flow_kg_s": 0.06}, 0.0, 0.0)] * 10 + [({"water_flow_kg_s": 0.0}, 0.0, 0.0)] * 10
    sums = booked([*steps, ({"water_flow_kg_s": 0.0}, 0.3, 0.0), *[({}, 0.3, 0.0)] * 30])
    assert sums["water_j"] > 0.0 and sums["water_dead_j"] == 0.0


def test_without_a_meter_the_curve_is_taken_and_marked_estimated():
    sums = booked([({"water_flow_kg_s": nan}, 0.3, 0.0)] * 61)
    assert sums["water_j"] == 0.0 and sums["water_est_j"] > 0.0
    wide, narrow = (water_out(sums, Accuracy(curve_factor=c)).half_kwh for c in (0.3, 0.03))
    assert wide > narrow


def test_a_gap_is_told_and_not_filled():
    book = HeatBook(S)
    booked([({}, 0.3, 0.0)] * 5, book)
    after = booked([({}, 0.3, 0.0)] * 5, book, began_s=1e9 + 7200.0)
    assert after["gap_s"] == pytest.approx(7200.0 - 240.0)
    assert after["water_kg"] == pytest.approx(0.06 * 240.0)  # four spans of five ticks, nothing for the two hours


def test_a_clock_that_goes_back_books_nothing():
    book = HeatBook(S)
    booked([({}, 0.3, 0.0)] * 3, book)
    assert booked([({}, 0.3, 0.0)], book, began_s=1e8)["water_j"] == 0.0


def test_a_lost_probe_is_bridged_for_two_minutes_and_counted_then_blind():
    lost = {"water_supply_c": nan}
    sums = booked([({}, 0.3, 0.0)] * 3 + [(lost, 0.3, 0.0)] * 10)
    assert sums["bridged_s"] == pytest.approx(120.0)
    assert sums["blind_s"] == pytest.approx(480.0)


def test_the_first_coil_volume_after_a_long_rest_is_marked():
    coil_kg = HeatBook(S).coil_kg
    sums = booked([({}, 0.3, 0.0)] * 300)
    assert sums["first_j"] == pytest.approx(coil_kg * WATER_J_KG_K * 20.0, rel=0.03)
    assert sums["first_j"] < sums["water_j"]


def test_water_colder_than_what_goes_in_counts_against():
    assert booked([({"water_supply_c": 15.0}, 0.3, 0.0)] * 10)["water_j"] < 0.0


def test_a_lagging_probe_is_corrected():
    """A first-order probe of the lag assumed reads the step of a start late; the heat is that of the step."""
    lag_s, dt_s, n = 20.0, 10.0, 60
    kept, steps, read_c = 2.718281828459045 ** (-dt_s / lag_s), [], 20.0
    for _ in range(n):
        steps.append(({"water_supply_c": read_c}, 0.3, 0.0))
        read_c = 40.0 + (read_c - 40.0) * kept
    true_j = 0.06 * dt_s * (n - 1) * WATER_J_KG_K * 20.0
    assert booked(steps, every_s=dt_s)["water_j"] == pytest.approx(true_j, rel=0.01)


def test_air_brings_its_enthalpy_above_the_house():
    """Saturated 30 °C and 5 °C at 80 %: 99.75 and 16.0 kJ/kg of dry air, by psychrolib (ASHRAE Fundamentals, ch. 1)."""
    import psychrolib

    psychrolib.SetUnitSystem(psychrolib.SI)
    ratio, enthalpy_of = psychrolib.GetHumRatioFromRelHum, psychrolib.GetMoistAirEnthalpy
    enthalpy = [enthalpy_of(t, ratio(t, rh, 101325)) for t, rh in ((30, 1), (5, 0.8))]
    sums = booked([({}, 0.0, 1.0)] * 61)
    assert sums["air_kg"] == pytest.approx(0.05 * 3600.0)
    assert sums["air_j"] == pytest.approx(180.0 * (enthalpy[0] - enthalpy[1]), rel=0.01)


def test_systematic_errors_do_not_average_out():
    day, month = ({**booked([({}, 0.3, 0.0)] * 61)} for _ in range(2))
    month = {name: 30.0 * value for name, value in month.items()}
    one, many = water_out(day, Accuracy()), water_out(month, Accuracy())
    assert many.half_kwh / many.kwh == pytest.approx(one.half_kwh / one.kwh)


def test_the_interval_of_raw_probes_and_meter_is_the_root_of_squares():
    """Two probes ±0.5 K and a meter ±10 % at a rise of 20 K: sqrt((0.707/20)² + 0.1²) = 10.6 %, by hand (GUM, eq. 10)."""
    sums = booked([({}, 0.3, 0.0)] * 61) | {"lag_j_s": 0.0}
    heat = water_out(sums, Accuracy())
    assert heat.half_kwh / heat.kwh == pytest.approx(sqrt((0.5 * sqrt(2.0) / 20.0) ** 2 + 0.1**2), rel=1e-6)
    better = water_out(sums, Accuracy().matched().bucketed())
    assert better.half_kwh / better.kwh == pytest.approx(sqrt((0.1 * sqrt(2.0) / 20.0) ** 2 + 0.03**2), rel=1e-6)


def test_what_the_line_loses_is_taken_off_and_doubted():
    sums = booked([({}, 0.3, 0.0)] * 120)
    assert sums["line_loss_j"] > 0.0
    out, delivered = water_out(sums, Accuracy()), water_delivered(sums, Accuracy())
    assert delivered.kwh < out.kwh and delivered.half_kwh > out.half_kwh


def after_a_rest(rest_min, first_return_c):
    """Loss of the line in an hour of running at 40 and 20 degC, after a rest and a start with other water; no meter."""
    book, bare = HeatBook(S), {"water_flow_kg_s": nan}
    rest = [(bare | {"water_return_c": 8.0 + 0.01 * (n % 7)}, 0.0, 0.0) for n in range(rest_min)]
    booked(rest + [(bare | {"water_return_c": first_return_c}, 0.2, 0.0)] * 6, book)
    running = [(bare | {"outdoor_c": 0.01 * (n % 5)}, 0.2, 0.0) for n in range(61)]
    return booked(running, book, began_s=1e9 + 60.0 * (rest_min + 6))["line_loss_j"]


def test_what_stood_in_the_line_for_hours_tells_how_warm_the_ground_is():
    """By hand: with 14 degC round the pipe, legs of 40 and 20 degC lose 26 + 6 = 32 K times the line's conductance.

    A little less, since the legs are warm only after some minutes; taken from outdoors it would be 53 K."""
    lost_w = LINE_LOSS_W_M_K * S.line_volume_m3 / ONE_INCH_M2 * 32.0
    assert after_a_rest(300, 14.0) == pytest.approx(3600.0 * lost_w, rel=0.15)


def test_after_a_short_rest_the_water_in_the_line_tells_nothing_of_the_ground():
    assert after_a_rest(60, 14.0) == pytest.approx(after_a_rest(60, 2.0), rel=0.03)
    assert after_a_rest(300, 14.0) < 0.8 * after_a_rest(300, 2.0)


def test_air_is_known_less_well_than_water():
    sums = booked([({}, 0.3, 1.0)] * 61)
    air, water = air_delivered(sums, Accuracy()), water_out(sums, Accuracy())
    assert air.half_kwh / air.kwh > water.half_kwh / water.kwh


@pytest.mark.parametrize(
    ("value", "half", "text"),
    [(412.3, 35.2, "412 ± 35"), (4321.0, 351.0, "4,320 ± 350"), (1.234, 0.123, "1.23 ± 0.12"), (9.04, 1.26, "9.0 ± 1.3"),
     (0.0, 0.0, "0.0 ± 0.0"), (nan, 1.0, "unknown"), (12.0, 100.0, "10 ± 100"), (5.0, 0.0012, "5.00 ± 0.00")],
)  # fmt: skip
def test_no_digit_is_shown_that_means_nothing(value, half, text):
    assert plus_minus(value, half) == text


floats = st.floats(allow_nan=True, allow_infinity=True)


@settings(max_examples=300, deadline=None)
@given(st.lists(st.tuples(st.lists(floats, min_size=11, max_size=11), floats, floats), min_size=2, max_size=6))
def test_any_floats_give_finite_sums(steps):
    book = HeatBook(replace(S, line_volume_m3=0.0))
    for (time_s, *values), pump, fan in steps:
        m = Measurements(time_s=time_s, **dict(zip(READ, values, strict=True)))
        assert all(map(isfinite, astuple(book.book(m, pump, fan))))


@pytest.mark.slow
def test_the_stated_interval_holds_the_simulators_truth():
    """Six short random seasons out of the hundred of bench/heat_record.py."""
    import importlib.util
    from pathlib import Path

    spec = importlib.util.spec_from_file_location("heat_record", Path(__file__).parents[2] / "bench" / "heat_record.py")
    bench = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(bench)
    found = [
        (heat, truth_kwh) for seed in (103, 106, 109, 112) for heat, _, truth_kwh in bench.season(seed, 3.0).values()
    ]
    assert sum(truth_kwh > 1.0 for _, truth_kwh in found) >= 8
    assert sum(heat.holds(truth_kwh) for heat, truth_kwh in found) >= 14
