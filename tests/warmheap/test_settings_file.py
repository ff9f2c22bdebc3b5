"""The settings file: a plain greenhouse in 25 lines, every mistake in one, page and table in step."""

import tomllib
from dataclasses import fields
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller import ControllerSettings, Measurements
from warmheap.cli import main
from warmheap.settings_file import SettingsFileError, load, parse
from warmheap.settings_page import commented_file, example, kinds_without_units, page
from warmheap.settings_table import BY_PATH, CURRENTS, KEYS, NOT_FILES

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "examples" / "plain-greenhouse.toml"
PINS = "[pump]\npin = 18\n[fan]\npin = 13\n"


def test_the_example_runs_a_greenhouse_in_25_lines_and_says_that_it_is_invented():
    text = EXAMPLE.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= 25 and "invented" in text.splitlines()[0]
    settings = load(EXAMPLE)
    assert settings.controller.supply_target_c == pytest.approx(37.78, abs=0.01)
    assert settings.controller.fan_full_flow_kg_s == pytest.approx(0.0736, abs=1e-4)
    assert settings.board.pins() == {"pump": 18, "fan": 13, "flow_meter": 23}
    assert settings.board.probes["pile_core_c"] == "28-0000000000a1"
    assert str(settings.board.sources["fan_battery_v"]) == "hwmon:ina226@1-0041:in1"


def test_an_empty_file_is_all_defaults_and_no_board():
    settings = parse("")
    assert settings.controller == ControllerSettings() and settings.board is None


def test_every_field_of_the_controller_and_every_sensor_has_its_key():
    targets = {key.target for key in KEYS}
    assert {f.name for f in fields(ControllerSettings)} <= targets
    assert {f.name for f in fields(Measurements)} - set(NOT_FILES) | set(CURRENTS) <= targets
    assert len(BY_PATH) == len(KEYS)
    assert kinds_without_units() == set()
    assert all(key.help for key in KEYS)


@pytest.mark.parametrize("key", [k for k in KEYS if k.default is not None], ids=lambda k: k.path)
def test_every_default_is_read_back_as_itself(key):
    pins = {"flow_meter": "[flow_meter]\npin = 5\n", "tachometer": "[tachometer]\npin = 5\n"}
    head = pins.get(key.table, f"[{key.table}]\n")
    more = "\n[pump]\npin=1\n[fan]\npin=2\n" if key.table not in ("pump", "fan") else ""
    settings = parse(f"{head}{key.name} = {example(key)}{more}")
    if key.target in {f.name for f in fields(ControllerSettings)}:
        found = getattr(settings.controller, key.target)
        assert found == key.default or found == pytest.approx(key.default)


@pytest.mark.parametrize(
    "key", [k for k in KEYS if k.bounds and k.kind not in ("pin", "count", "text")], ids=lambda k: k.path
)
def test_bounds_are_told_in_the_unit_that_was_written(key):
    written = example(key).strip('"').partition(" ")[2]
    unit = {"degC": "degF", "kg/s": "gal/min", "kg/s air": "cfm", "m3": "gal", "s": "h"}.get(key.kind, written)
    value = f'"{1e9:.0f} {unit}"'
    with pytest.raises(SettingsFileError) as wrong:
        parse(f"[{key.table}]\n{key.name} = {value}")
    line = str(wrong.value)
    assert line.startswith(f"settings: {key.path} = ") and "is outside" in line
    assert line.endswith(unit)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[pump]\npinn = 18", "pump.pinn: no such key; did you mean pump.pin?"),
        ("[pmup]\npin = 18", "[pmup]: no such table; did you mean [pump]?"),
        ("[pump]\nflow_target = '1 gal/min'", "pump.flow_target: no such key; flow_target belongs in [water]"),
        ("flow_target = '1 gal/min'", "flow_target stands outside any table; flow_target belongs in [water]"),
        ("[water]\nbanana = 1", "water.banana: no such key; see docs/settings.md"),
        ("[water]\nsupply_target = '38 kg'", 'water.supply_target = "38 kg" the unit "kg" does not fit'),
        ("[water]\nsupply_target = 38", "water.supply_target = 38 has no unit: must be a temperature"),
        ("[water]\nsupply_target = '150 degF'", 'water.supply_target = "150 degF" is outside 50 degF .. 140 degF'),
        (
            "[greenhouse]\nmin = '25 degC'\nceiling = '20 degC'",
            "greenhouse.min = 25.0 is above greenhouse.ceiling = 20.0",
        ),
        ("[battery]\nkind = 'nickel'", 'battery.kind = "nickel" is not one of lead-acid, lithium'),
        ("[pump]\npin = 18\n[fan]\npin = 18", "pin 18 is used twice, for pump and fan"),
        (PINS + "[flow_meter]\npin = 13", "pin 13 is used twice, for fan and flow_meter"),
        (PINS + "[flow_meter]\npulses = '450 1/L'", "[flow_meter] has no pin"),
        ("[pump]\npin = 18", "fan has neither pin nor pwm"),
        ("[pump]\npin = 18\nactive_high = false\n[fan]\npin = 13", "pump: active_high = false is refused"),
        ("[pump]\npin = 18\nfrequency = '25 kHz'\n[fan]\npin = 13", "pump.frequency is too fast for a pin"),
        ("[pump]\npin = 18.5", "pump.pin = 18.5 is not a whole number from 0 to 53"),
        ("[pump]\npin = true", "pump.pin = true is not a whole number"),
        ("[pump]\npwm = '0'", 'pump.pwm = "0" is not "chip/channel"'),
        ("[pump]\nactive_high = 1", "pump.active_high = 1 is not true or false"),
        ("[pump]\nsafe = '80 %'", 'pump.safe = "80 %" is outside 0 % .. 50 %'),
        ("[sensors]\npile_core = '28-xyz'", 'sensors.pile_core = "28-xyz" is no sensor'),
        ("[sensors]\ngreenhouse_rh = '28-0000000000a1'", "is a thermometer, which measures no such thing"),
        ("[sensors]\npile_core = { source = '28-0000000000a1', factor = 2 }", "takes no factor"),
        ("[sensors]\npile_core = { source = '28-0000000000a1', offset = '2 degC' }", 'the unit "degC" does not fit'),
        ("[sensors]\npile_core = { soruce = '28-0000000000a1' }", "is not a sensor: write"),
        ("[sensors]\npump_battery = { source = 'iio:adc:voltage0', factor = 0 }", "has factor 0"),
        ("[sensors]\npump_battery = 'hwmon:ina226:fan1'", "a channel of hwmon begins with in, curr"),
        (
            PINS + "[sensors]\npile_core = '28-0000000000a1'\npile_edge = '28-0000000000a1'",
            "is used twice, for sensors.pile_core",
        ),
        ("[pump", "is not valid TOML"),
        ("[sensors]\npile_core = 'a\\nb'", "is no sensor"),
    ],
)
def test_a_mistake_costs_one_line(text, told):
    with pytest.raises(SettingsFileError) as wrong:
        parse(text)
    line = str(wrong.value)
    assert told in line and len(line.splitlines()) == 1 and line.startswith("settings")


def test_corrections_of_readings_are_taken_over():
    settings = parse(
        PINS + '[sensors]\npile_core = { source = "28-0000000000a1", offset = "-0.3 K" }\n'
        'pump_battery = { source = "iio:adc:voltage0", factor = 5.7, offset = "20 mV" }'
    )
    assert settings.board.probe_offset_k == {"pile_core_c": -0.3}
    source = settings.board.sources["pump_battery_v"]
    assert source.factor == 5.7 and source.offset == pytest.approx(0.02)


@pytest.mark.parametrize(
    ("content", "told"),
    [(None, "cannot read"), (b"\xff\xfe", "is not text in UTF-8"), (b"#" * 70_000, "is larger than 64 KiB")],
)
def test_a_file_that_cannot_be_read_costs_one_line(tmp_path, content, told):
    path = tmp_path / "g.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(SettingsFileError, match=told):
        load(path)


@given(st.binary(max_size=300))
def test_no_bytes_make_the_reader_raise_anything_else(raw):
    try:
        parse(raw.decode("utf-8", "replace"))
    except SettingsFileError as wrong:
        assert len(str(wrong).splitlines()) == 1


values = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=20), st.just({"source": "28-0"})
)


@given(st.sampled_from(KEYS), values)
def test_no_value_makes_a_key_raise_anything_else(key, value):
    from warmheap.settings_file import _settings
    from warmheap.units import QuantityError

    try:
        _settings({key.table: {key.name: value}}, "")
    except (QuantityError, ValueError, SettingsFileError) as wrong:
        assert str(wrong)
    except Exception as wrong:
        assert type(wrong).__name__ == "HardwareError", wrong


def test_the_commented_file_is_valid_names_every_key_and_changes_nothing():
    text = commented_file(["28-0000000000a1"])
    assert parse(text).controller == ControllerSettings()
    assert "probes on the bus now: 28-0000000000a1" in text
    for key in KEYS:
        assert f"# {key.name} = " in text
    switched_on = "\n".join(line[2:] if line.startswith("# ") and " = " in line else line for line in text.splitlines())
    switched_on = switched_on.replace("# [flow_meter]", "[flow_meter]").replace("# [tachometer]", "[tachometer]")
    assert set(tomllib.loads(switched_on)["pump"]) == {k.name for k in KEYS if k.table == "pump"}


def test_the_page_is_up_to_date():
    assert (ROOT / "docs" / "settings.md").read_text(encoding="utf-8") == page(), "run: make docs-settings"


def test_init_writes_once_and_never_over(tmp_path, capsys):
    path = tmp_path / "greenhouse.toml"
    assert main(["init", str(path)]) == 0
    assert "wrote" in capsys.readouterr().out
    load(path)
    path.write_text("mine")
    assert main(["init", str(path)]) == 2
    assert "is there already and is not overwritten" in capsys.readouterr().err
    assert path.read_text() == "mine"


def test_init_says_where_it_cannot_write(tmp_path, capsys):
    assert main(["init", str(tmp_path / "no" / "g.toml")]) == 2
    assert "cannot write" in capsys.readouterr().err
