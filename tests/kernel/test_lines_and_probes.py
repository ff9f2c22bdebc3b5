"""Outputs and sensors on a real kernel: a simulated GPIO chip, probes on a 1-wire bus, battery monitors on I2C."""

import pytest


def test_duties_on_the_line_are_what_was_asked_for_within_a_percent(measured):
    found = measured.of("pwm")
    assert len(found) == 10
    assert {r["duty"]: r["measured"] for r in found} == {r["duty"]: pytest.approx(r["duty"], abs=0.01) for r in found}
    assert all(r["read_back"] == pytest.approx(r["duty"], abs=0.0051) for r in found)


def test_nothing_at_all_is_put_out_at_duty_nought(measured):
    assert measured.of("pwm")[0]["duty"] == 0.0 and measured.of("pwm")[0]["measured"] == 0.0


@pytest.mark.parametrize(("name", "sent"), [("water_flow_kg_s", 1680), ("fan_speed_hz", 1000)])
def test_every_pulse_is_counted_and_the_rate_is_right(measured, name, sent):
    (r,) = [r for r in measured.of("pulses") if r["line"] == name]
    assert (r["sent"], r["counted"]) == (sent, sent)
    assert r["read_hz"] == pytest.approx(r["sent_hz"], rel=0.002)
    assert r["after_hz"] == 0.0


def test_probes_read_to_a_sixteenth_of_a_degree(measured):
    found = measured.of("probe")
    assert len(found) == 5
    for r in found:
        assert r["read_c"] == pytest.approx(r["told_c"], abs=0.0635), r  # 1/16 K, cut


def test_a_probe_that_fails_gives_no_reading_and_comes_back_by_itself(measured):
    found = {r["fault"]: r for r in measured.of("probe fault")}
    for fault in ("bad checksum", "unplugged", "never converts"):
        assert found[fault]["read_c"] is None, found[fault]
    assert "85.000" in found["never converts"]["said"]
    assert found["mended"]["read_c"] == 20.0
    assert all(r["others"] == "good" for r in found.values())


def test_volts_come_through_the_kernels_own_driver(measured):
    found = measured.of("battery")
    assert len(found) == 3
    assert all(r["read_v"] == pytest.approx(r["told_v"], abs=0.004) for r in found)
