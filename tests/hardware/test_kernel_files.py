"""hwmon and iio: the kernel's units become SI; wrong names cost one line."""

from math import isnan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardware import HardwareError
from hardware.kernel_files import KernelFiles, parse_number, parse_source, unit_si
from hardware.reading import ABSENT, BAD, GOOD


def read(tree, text, **scaling):
    return KernelFiles({"x": parse_source(text, **scaling)}, tree.hwmon, tree.iio).sample()["x"]


# units of Documentation/hwmon/sysfs-interface.rst: millivolt, milliampere, millidegree, milli-percent, microwatt
@pytest.mark.parametrize(
    ("channel", "content", "value"),
    [
        ("in1", "12650", 12.65),
        ("curr1", "-1500", -1.5),
        ("temp1", "21875", 21.875),
        ("humidity1", "65300", 0.653),
        ("power1", "24000000", 24.0),
    ],
)
def test_hwmon_units(tree, channel, content, value):
    tree.chip("hwmon", 2, "ina226", "1-0041", {f"{channel}_input": content + "\n"})
    assert read(tree, f"hwmon:ina226:{channel}").value == pytest.approx(value)


# Documentation/ABI/testing/sysfs-bus-iio: (raw + offset) * scale is millivolt, milliampere, millidegree,
# milli-percent of humidity, percent of a gas
@pytest.mark.parametrize(
    ("channel", "files", "value"),
    [
        ("voltage0", {"in_voltage0_raw": "1013", "in_voltage0_scale": "3"}, 3.039),
        ("voltage1", {"in_voltage1_raw": "1013", "in_voltage_scale": "3"}, 3.039),
        ("temp", {"in_temp_raw": "6000", "in_temp_scale": "10", "in_temp_offset": "-4000"}, 20.0),
        ("humidityrelative", {"in_humidityrelative_input": "65300"}, 0.653),
        ("concentration_co2", {"in_concentration_co2_raw": "800", "in_concentration_co2_scale": "0.0001"}, 0.0008),
        ("current0", {"in_current0_input": "2500"}, 2.5),
    ],
)
def test_iio_units(tree, channel, files, value):
    tree.chip("iio", 0, "adc", "1-0048", files)
    assert read(tree, f"iio:adc:{channel}").value == pytest.approx(value)


def test_a_divider_before_the_chip_is_reckoned_in(tree):
    tree.chip("iio", 0, "adc", "1-0048", {"in_voltage0_raw": "1000", "in_voltage0_scale": "2"})
    assert read(tree, "iio:adc:voltage0", factor=6.2, offset=0.05).value == pytest.approx(12.45)


def test_two_alike_are_told_apart_by_their_address(tree):
    tree.chip("hwmon", 0, "ina226", "1-0040", {"in1_input": "12000"})
    tree.chip("hwmon", 1, "ina226", "1-0041", {"in1_input": "13000"})
    assert read(tree, "hwmon:ina226@1-0041:in1").value == 13.0
    assert read(tree, "hwmon:ina226@1-0040:in1").value == 12.0
    doubt = read(tree, "hwmon:ina226:in1")
    assert doubt.quality == ABSENT and "ina226@1-0040, ina226@1-0041" in doubt.why


def test_an_iio_chip_has_an_address_too(tree):
    tree.chip("iio", 0, "adc", "1-0048", {"in_voltage0_input": "1000"})
    tree.chip("iio", 1, "adc", "1-0049", {"in_voltage0_input": "2000"})
    assert read(tree, "iio:adc@1-0049:voltage0").value == 2.0


def test_a_chip_that_is_not_there_is_named_with_those_that_are(tree):
    tree.chip("hwmon", 0, "cpu_thermal", "virtual", {"temp1_input": "40000"})
    files = KernelFiles({"pump_battery_v": parse_source("hwmon:ina226:in1")}, tree.hwmon, tree.iio)
    assert files.sample()["pump_battery_v"].quality == ABSENT
    line = files.missing()["pump_battery_v"]
    assert "hwmon:ina226:in1" in line and "cpu_thermal@virtual" in line and "\n" not in line


def test_no_folder_at_all_is_no_reading(tmp_path):
    files = KernelFiles({"x": parse_source("iio:adc:temp")}, tmp_path / "no", tmp_path / "nor")
    assert "none at all" in files.sample()["x"].why


@pytest.mark.parametrize("content", ["", "\n", "nan\n", "inf", "twelve", "1_000"])
def test_what_is_no_number_is_a_bad_reading(tree, content):
    tree.chip("hwmon", 0, "ina226", "1-0040", {"in1_input": content})
    found = read(tree, "hwmon:ina226:in1")
    assert found.quality == BAD and isnan(found.value)


def test_a_channel_that_is_missing_is_absent(tree):
    tree.chip("hwmon", 0, "ina226", "1-0040", {})
    assert read(tree, "hwmon:ina226:in7").quality == ABSENT


def test_a_chip_that_comes_back_under_another_number_is_found(tree):
    folder = tree.chip("hwmon", 0, "ina226", "1-0040", {"in1_input": "12000"})
    files = KernelFiles({"x": parse_source("hwmon:ina226:in1")}, tree.hwmon, tree.iio)
    assert files.sample()["x"].quality == GOOD
    folder.rename(tree.hwmon / "gone")
    (tree.hwmon / "gone" / "name").write_text("other\n")
    assert files.sample()["x"].quality == ABSENT
    tree.chip("hwmon", 5, "ina226", "1-0041", {"in1_input": "12500"})
    assert files.sample()["x"].value == 12.5


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("28-0123", "is no sensor"),
        ("spi:chip:in1", "is no sensor"),
        ("hwmon:ina226", "is no sensor"),
        ("hwmon:../../etc:in1", "is no sensor"),
        ("hwmon:ina226:fan1", "begins with in, curr, temp, humidity, power"),
        ("iio:adc:in_voltage0", "begins with voltage"),
    ],
)
def test_a_wrong_source_costs_one_line(text, told):
    with pytest.raises(HardwareError) as wrong:
        parse_source(text)
    assert told in str(wrong.value) and "\n" not in str(wrong.value)


def test_a_source_is_written_as_it_was_read():
    for text in ("hwmon:ina226@1-0041:in1", "iio:scd30:concentration_co2"):
        assert str(parse_source(text)) == text


@given(st.binary(max_size=60))
def test_no_bytes_make_the_number_parser_raise(raw):
    value = parse_number(raw)
    assert isnan(value) or abs(value) < float("inf")


@given(st.text(max_size=40))
def test_no_text_makes_the_source_parser_raise_anything_else(text):
    try:
        source = parse_source(text)
    except HardwareError as wrong:
        assert len(str(wrong).splitlines()) >= 1
    else:
        assert unit_si(source) > 0.0
