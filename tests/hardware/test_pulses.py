"""Pulse meters: the rate comes from time stamps, not from how late a thread was."""

import pytest
from board_rig import PwmMock
from hypothesis import given
from hypothesis import strategies as st

from hardware import HardwareError
from hardware.pulses import PulseInput, PulseRate


def meter(stamps, now_s=None):
    now = [0.0]
    rate = PulseRate(clock=lambda: now[0])
    for stamp in stamps:
        now[0] = stamp
        rate.note(stamp)
    if now_s is not None:
        now[0] = now_s
    return rate


@pytest.mark.parametrize("hz", [1.0, 10.0, 28.4, 200.0, 1000.0])
def test_a_steady_meter_reads_its_rate(hz):
    rate = meter([i / hz for i in range(round(5 * hz) + 1)])
    assert rate.rate_hz() == pytest.approx(hz, rel=1e-6)
    assert rate.count == round(5 * hz) + 1


def test_pulses_that_are_told_late_and_in_a_bunch_read_the_same():
    rate = PulseRate(clock=lambda: 3.0)
    for i in range(57):
        rate.note(1.0 + i / 28.0)
    assert rate.rate_hz() == pytest.approx(28.0)


def test_stamps_may_run_on_a_clock_of_their_own():
    rate = PulseRate(clock=lambda: 3.0)
    for i in range(20):
        rate.note(1.7e9 + i / 10.0)
    assert rate.rate_hz() == pytest.approx(10.0)


def test_no_pulse_no_flow():
    assert PulseRate().rate_hz() == 0.0
    assert meter([1.0]).rate_hz() == 0.0
    assert meter([0.0, 0.1, 0.2], now_s=3.3).rate_hz() == 0.0


def test_an_overdue_pulse_lowers_the_rate():
    assert meter([0.0, 0.1, 0.2], now_s=1.2).rate_hz() == pytest.approx(1.0 / 0.9)


def test_a_bouncing_contact_counts_once():
    bounces = [i * 0.05 + j * 1e-4 for i in range(20) for j in range(5)]
    rate = meter(bounces)
    assert rate.count == 20
    assert rate.rate_hz() == pytest.approx(20.0, rel=0.01)


def test_after_a_pause_it_starts_anew():
    rate = meter([0.0, 0.1, 0.2, 100.0, 100.5, 101.0])
    assert rate.rate_hz() == pytest.approx(2.0)


@given(st.lists(st.floats(-1e10, 1e10), max_size=50))
def test_no_stamps_make_it_raise_or_run_away(stamps):
    rate = PulseRate(clock=lambda: 0.0)
    for stamp in stamps:
        rate.note(stamp)
    assert 0.0 <= rate.rate_hz() <= 2000.0 * 1.001


def test_edges_of_a_pin_are_counted(factory):
    pulses = PulseInput(23, factory)
    pin = factory.pin(23)
    assert pin.pull == "up" and pin.function == "input"
    for _ in range(5):
        pin.drive_low()
        pin.drive_high()
    assert pulses.rate.count >= 1
    pulses.close()
    pulses.close()
    assert pin.when_changed is None


def test_a_taken_pin_costs_one_line(factory):
    first = PulseInput(23, factory)  # kept: gpiozero frees the pin of a device that nobody holds
    with pytest.raises(HardwareError, match="pin 23 cannot count pulses: .*already in use"):
        PulseInput(23, factory)
    first.close()


def test_a_pin_that_does_not_exist_costs_one_line():
    with pytest.raises(HardwareError, match="pin 99 cannot count pulses"):
        PulseInput(99, PwmMock())
