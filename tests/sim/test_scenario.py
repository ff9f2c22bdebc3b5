import math
import pickle
import re
from pathlib import Path

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller import ControllerSettings
from controller.power import Battery
from sim.quantities import Quantity, QuantityError, from_si, to_si
from sim.scenario import Scenario, ScenarioError, coil_ua_w_k, field_table
from sim.scenario_tables import CHANNEL_KIND, Coil, Sensors

SCENARIOS = sorted((Path(__file__).parents[2] / "scenarios").glob("*.toml"))
HEAD = 'title = "t"\ninvented = true\n[place]\nweather = "pvlib:723170TYA.CSV"\nstart = "11-15"\n'


def error_of(extra: str, head: str = HEAD) -> str:
    with pytest.raises(ScenarioError) as caught:
        Scenario.from_toml(head + extra, source="x.toml")
    text = str(caught.value)
    assert text.isprintable(), "one line, nothing that upsets a terminal"
    return text


# --- quantities -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("14 m3", "m3", 14.0),
        ("18 yd3", "m3", 18 * 0.9144**3),
        ("55 gal", "m3", 55 * 231 * 0.0254**3),  # the US gallon: 231 cubic inches
        ("1 imperial_gallon", "m3", 4.54609e-3),
        ("130 cfm", "m3/s", 130 * 0.3048**3 / 60),  # pint's own "cfm" would be a centifermi
        ("1 gal/min", "m3/s", 231 * 0.0254**3 / 60),
        ("1 gpm", "m3/s", 231 * 0.0254**3 / 60),
        ("130 degF", "degC", 490 / 9),
        ("-40 degF", "degC", -40.0),
        ("12 °C", "degC", 12.0),
        ("285.15 K", "degC", 12.0),
        ("9 delta_degF", "K", 5.0),
        ("-9 K", "K", -9.0),
        ("0.06 1/day", "1/s", 0.06 / 86400),
        ("0.06 /day", "1/s", 0.06 / 86400),
        ("2700 rpm", "1/s", 45.0),  # pint's own rpm would be 283 rad/s
        ("45 Hz", "1/s", 45.0),
        ("100 A h", "A s", 360e3),
        ("100 Ah", "A s", 360e3),
        ("4 W/m2/K", "W/m2/K", 4.0),
        ("4 W/(m² °C)", "W/m2/K", 4.0),
        ("1 BTU/hour/ft2/degF", "W/m2/K", 5.678263),
        ("0.3 m2 K/W", "m2 K/W", 0.3),
        ("4 MJ/K", "J/K", 4e6),
        ("0.5 inH2O", "Pa", 124.54),
        ("60 %", "", 0.6),
        ("0.6", "", 0.6),
        ("60 deg", "deg", 60.0),
        ("0.05 1/hour/(m/s)", "1/m", 0.05 / 3600),
        (" 1.4e1m^3 ", "m3", 14.0),
    ],
)
def test_a_quantity_is_read_in_the_fields_unit(text: str, unit: str, value: float) -> None:
    assert to_si(text, unit) == pytest.approx(value, rel=1e-4)


@pytest.mark.parametrize(
    ("text", "unit", "said"),
    [
        ("5 degF", "K", "thermometer reading, not a difference"),
        ("5 degC", "K", "thermometer reading, not a difference"),
        ("5 delta_degF", "degC", "difference, not a thermometer reading"),
        ("5 delta_degC", "degC", "difference, not a thermometer reading"),
        ("12 C", "degC", "does not fit"),  # a coulomb
        ("60 %", "deg", "does not fit"),
        ("60 deg", "", "does not fit"),
        ("60", "deg", "has no unit"),
        ("5 rad/s", "1/s", "does not fit"),
        ("14", "m3", "has no unit"),
        ("14 kg", "m3", "does not fit"),
        ("14 cubits", "m3", "does not know"),
        ("9 9**9**9**9", "m", "cannot read"),
        ("5 m**2**3", "m", "cannot read"),
        ("5 ((m", "m", "does not know"),
        ("1,5 m3", "m3", "cannot read"),
        ("nan m3", "m3", "does not begin with a number"),
        ("inf m3", "m3", "does not begin with a number"),
        ("1e999 m3", "m3", "not finite"),
        ("", "m3", "does not begin with a number"),
        ("1" * 61, "", "does not begin with a number"),
    ],
)
def test_what_is_no_such_quantity_is_refused_with_an_example(text: str, unit: str, said: str) -> None:
    with pytest.raises(QuantityError, match=r"must be an? .*, like ") as caught:
        to_si(text, unit)
    assert said in str(caught.value)


@given(
    st.sampled_from([("m3", "gal"), ("degC", "degF"), ("K", "delta_degF"), ("m3/s", "cfm"), ("1/s", "1/day")]),
    st.floats(-200.0, 1e6),
)
def test_writing_and_reading_a_quantity_gives_it_back(units: tuple[str, str], value: float) -> None:
    unit, user_unit = units
    back = to_si(from_si(value, unit, user_unit), unit)
    # four digits are written; a Fahrenheit reading keeps them in its own, shifted scale
    assert back == pytest.approx(value, rel=1e-3, abs=0.1 if unit == "degC" else 0.0)


@given(st.floats(-1e3, 1e3))
def test_a_difference_never_takes_the_offset_of_a_reading(degrees: float) -> None:
    assert to_si(f"{degrees:.6f} delta_degF", "K") == pytest.approx(degrees / 1.8, abs=1e-5)
    assert to_si(f"{degrees:.6f} degF", "degC") == pytest.approx((degrees - 32) / 1.8, abs=1e-5)


@given(st.text(max_size=30))
def test_any_text_gives_a_finite_number_or_a_quantity_error(text: str) -> None:
    for unit in ("m3", "degC", ""):
        try:
            assert math.isfinite(to_si(text, unit))
        except QuantityError as error:
            assert "must be" in str(error)


def test_the_shared_default_registry_is_left_alone() -> None:
    to_si("1 cfm", "m3/s")
    assert pint.UnitRegistry().Quantity(1, "cfm").check("[length]")


def test_bounds_are_told_in_the_users_own_unit() -> None:
    flow = Quantity("m3/s", "10 cfm", "1500 cfm")
    with pytest.raises(QuantityError, match=r"must be 10 cfm \.\. 1500 cfm"):
        flow.parse("5 cfm")
    with pytest.raises(QuantityError, match=r"must be 0.004719 m3/s \.\. 0.7079 m3/s"):
        flow.parse(5.0, bare=True)


@pytest.mark.parametrize("value", [True, None, [], {}, 10**400, math.nan, math.inf])
def test_only_a_finite_number_is_a_bare_number(value: object) -> None:
    with pytest.raises(QuantityError, match="must be a plain number"):
        Quantity("", "0", "1").parse(value)


# --- scenario files ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_the_shipped_scenarios_load_and_say_that_they_are_invented(path: Path) -> None:
    scenario = Scenario.load(path)
    assert scenario.invented and "invented" in path.read_text(encoding="utf-8").splitlines()[0]
    assert scenario.weather_path.is_file()
    assert isinstance(scenario.controller_settings(), ControllerSettings)
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 60


def test_three_scenarios_are_shipped() -> None:
    assert [path.stem for path in SCENARIOS] == ["hard-northern-winter", "mild-wet-winter", "small-pile"]


def test_a_scenario_of_a_few_lines_has_defaults_in_si() -> None:
    scenario = Scenario.from_toml(HEAD)
    assert scenario.pile.volume == 14.0
    assert scenario.fan.max_flow == pytest.approx(130 * 0.3048**3 / 60)
    assert scenario.pump_power.battery == pytest.approx(360e3)
    assert scenario.greenhouse.infiltration == pytest.approx(0.6 / 3600)
    assert scenario.place.ground_temperature is None
    assert scenario.sensors.flow.step == pytest.approx(1 / 450, rel=1e-4)


def test_every_field_is_described_and_its_default_within_bounds() -> None:
    rows = field_table()
    assert len(rows) > 140 and len({row[:2] for row in rows}) == len(rows)
    for table, name, unit, default, low, high, text in rows:
        assert text, f"{table}.{name} says nothing"
        if low and default:
            assert to_si(low, unit) <= to_si(default, unit) <= to_si(high, unit), f"{table}.{name}"


def test_a_file_is_read_from_where_it_lies(tmp_path: Path) -> None:
    (tmp_path / "s.toml").write_text(HEAD.replace("pvlib:723170TYA.CSV", "mine.epw"), encoding="utf-8-sig")
    assert Scenario.load(tmp_path / "s.toml").weather_path == tmp_path / "mine.epw"


def test_the_first_day_counts_in_a_year_of_365_days() -> None:
    assert Scenario.from_toml(HEAD).place.start_hour == (304 + 14) * 24
    assert Scenario.from_toml(HEAD.replace("11-15", "01-01")).place.start_hour == 0


def test_a_varied_copy_is_checked_and_leaves_the_first_as_it_was() -> None:
    first = Scenario.from_toml(HEAD, folder="elsewhere")
    second = first.varied({"pile.volume": 7.0, "line.length": "80 ft", "sensors.flow.noise": 0.0})
    assert (first.pile.volume, second.pile.volume) == (14.0, 7.0)
    assert second.line.length == pytest.approx(24.384) and second.sensors.flow.noise == 0.0
    assert second.weather_path == first.weather_path
    assert first.varied({}) == first


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("pile.volume", -1.0, "pile.volume = -1.0: must be 0.5 m3 .. 500 m3"),
        ("pile.volume", True, "must be a volume"),
        ("pile.volume", math.nan, "not a finite number"),
        ("pile.volum", 3.0, 'did you mean "volume"?'),
        ("title.x", 1, "title.x: no such field to vary"),
        ("nothing.there", 1, "no such field to vary"),
    ],
)
def test_a_wrong_variation_is_refused(name: str, value: object, said: str) -> None:
    with pytest.raises(ScenarioError, match=re.escape(said)):
        Scenario.from_toml(HEAD).varied({name: value})


def test_pydantics_own_copy_and_pickle_work() -> None:
    scenario = Scenario.from_toml(HEAD)
    smaller = scenario.model_copy(update={"pile": scenario.pile.model_copy(update={"volume": 7.0})})
    assert smaller.pile.volume == 7.0 and smaller.weather_path == scenario.weather_path
    assert pickle.loads(pickle.dumps(scenario)) == scenario


@pytest.mark.parametrize(
    ("extra", "said"),
    [
        ('[pile]\nvolume = "-3 m3"', 'pile.volume = "-3 m3": must be 0.5 m3 .. 500 m3 (x.toml)'),
        ('[pile]\nvolume = "-3 yd3"', 'pile.volume = "-3 yd3": must be 0.654 yd3 .. 654 yd3 (x.toml)'),
        ('[pile]\nvolume = "3 kg"', 'pile.volume = "3 kg": the unit "kg" does not fit: must be a volume, like "14 m3"'),
        ("[pile]\nvolume = 3", "pile.volume = 3: has no unit: must be a volume"),
        ("[pile]\nvolume = nan", "pile.volume = NaN: has no unit"),
        ("[pile]\nmoisture = nan", "pile.moisture = NaN: is not a finite number"),
        ("[pile]\nmoisture = inf", "pile.moisture = Infinity: is not a finite number"),
        ("[pile]\nmoisture = 0x1" + "0" * 5000, "pile.moisture = (a huge number): is not a finite number"),
        ("[pile]\nmoisture = 2001-01-01", 'pile.moisture = "2001-01-01": must be a plain number'),
        ("[pile]\nmoisture = true", "pile.moisture = true: must be a plain number"),
        ("[pile]\nmoisture = 60", "pile.moisture = 60: must be 0.2 .. 0.85"),
        ('[pile]\nvolum = "3 m3"', 'pile.volum: no such field; did you mean "volume"? (x.toml)'),
        ('[pile]\nlength = "3 m"', 'pile.length: no such field; "length" belongs to table [coil]'),
        ("[pile]\nxyzzy = 1", "pile.xyzzy: no such field; known are volume, bulk_density"),
        ('[pile]\n"a\\nb\\u001b" = 1', "pile.a\\nb\\x1b: no such field"),
        ("[pillar]\nx = 1", 'pillar: no such field; did you mean "pile"?'),
        ('[[pile]]\nvolume = "3 m3"', 'pile = [{"volume": "3 m3"}]: must be a table of fields'),
        ('[greenhouse]\nminimum = "5 delta_degF"', "is a difference, not a thermometer reading"),
        ('[greenhouse]\nbackup = "yes"', 'greenhouse.backup = "yes": must be true or false'),
        ("[greenhouse]\nbackup = 1", "greenhouse.backup = 1: must be true or false"),
        ('[greenhouse]\nminimum = "25 degC"', "greenhouse: minimum = 25 must be below ceiling = 24"),
        ("[pump]\nstart_duty = 0.1", "pump: run_duty = 0.17 must be at most start_duty = 0.1"),
        ("[fan]\nrun_duty = 0.5", "fan: run_duty = 0.5 must be at most start_duty = 0.2"),
        ('[fan_power]\ndisconnect = "13 V"', "fan_power: disconnect = 13 must be below reconnect = 12.6"),
        ('[pump_power]\nkind = "nickel"', 'pump_power.kind = "nickel": must be "lead-acid" or "lithium"'),
        ("[pile]\nfast_fraction = 0.7", "pile: fast_fraction + slow_fraction = 1.15: must be 1 or less together"),
        ('[pile]\nvolume = "400 m3"', "pile: volume x bulk_density = 228000 kg: must be 100000 kg or less"),
        ('[sensors]\nfitted = ["time_s"]', '"time_s" is no sensor; known are pile_core_c'),
        ('[sensors]\nfitted = ["tank_c", "tank_c"]', "names a sensor twice"),
        ('[sensors]\nfitted = "tank_c"', 'sensors.fitted = "tank_c": must be a list of names'),
        ("[sensors]\nfitted = [1]", "sensors.fitted.0 = 1: must be a text in quotes"),
        ('[sensors.flow]\nlag = "1 m"', 'sensors.flow.lag = "1 m": the unit "m" does not fit: must be a time'),
        ('[pile]\nvolume = "0 m3"\n[line]\nlength = "x"\n[fan]\npower = "-1 W"', "(x.toml); and 2 more"),
        ("[pile]\nvolume = ", "x.toml is not valid TOML: Invalid value (at"),
        ('[pile]\nvolume = "' + "z" * 900 + '"', "zzz...: does not begin with a number"),
        ("[pile]\nvolume = " + "[" * 5000, "x.toml is not valid TOML"),
        ("[pile]\nvolume = 1" + "0" * 5000, "x.toml is not valid TOML: Exceeds the limit"),
    ],
)
def test_each_kind_of_mistake_gives_one_line_that_says_how_to_mend_it(extra: str, said: str) -> None:
    text = error_of(extra)
    assert said in text and len(text) < 400


def test_what_must_be_stated_is_asked_for() -> None:
    assert error_of("", head='title = "t"\n').startswith("invented: is missing; whether place and equipment are")
    no_start = HEAD.replace('start = "11-15"\n', "")
    assert error_of("", head=no_start) == 'place.start: is missing; first day, "MM-DD" (x.toml)'


@pytest.mark.parametrize("day", ["02-29", "13-01", "2-9", "11/15", "1115x", ""])
def test_a_first_day_that_is_none_is_refused(day: str) -> None:
    assert 'must be a day "MM-DD"' in error_of("", head=HEAD.replace("11-15", day))


@given(st.text(max_size=60))
def test_any_text_gives_a_scenario_or_one_line(text: str) -> None:
    try:
        scenario = Scenario.from_toml(HEAD + text)
    except ScenarioError as error:
        assert str(error).isprintable()
    else:
        assert scenario.pile.volume == 14.0


def test_files_that_cannot_be_read_are_named(tmp_path: Path) -> None:
    (tmp_path / "latin.toml").write_bytes(b'title = "caf\xe9"')
    (tmp_path / "huge.toml").write_bytes(b"#" * 70_000)
    for name, said in [
        ("none.toml", "no such scenario file"),
        (".", "cannot be read"),
        ("latin.toml", "not UTF-8 text (byte 12)"),
        ("huge.toml", "at most 64 kB"),
        ("a\0b", "cannot be read"),
    ]:
        with pytest.raises(ScenarioError, match=re.escape(said)) as caught:
            Scenario.load(tmp_path / name)
        assert str(caught.value).isprintable()


# --- what the controller is told --------------------------------------------------------------------------------


def test_the_controller_is_told_what_the_grower_knows() -> None:
    settings = Scenario.from_toml(HEAD).controller_settings()
    assert settings.pile_wet_mass_kg == pytest.approx(14 * 570)
    assert settings.fan_full_flow_kg_s == pytest.approx(0.0552, abs=0.0001)
    assert settings.line_volume_m3 == pytest.approx(math.pi / 4 * 0.019**2 * 25)
    assert settings.battery_kind == "lead-acid"
    assert settings.supply_target_c == ControllerSettings().supply_target_c


def test_full_flow_is_where_pump_head_meets_pipe_friction() -> None:
    scenario = Scenario.from_toml(HEAD).varied({"line.static_head": 1.0})
    flow_m3_s = scenario.controller_settings().pump_full_flow_kg_s / 994.0
    speed = flow_m3_s / (math.pi / 4 * 0.019**2)
    head_m = 6.0 * (1 - (flow_m3_s / scenario.pump.max_flow) ** 2)
    # Blasius' friction factor for smooth pipe, 0.316 Re^-0.25, written down here by hand; bends left to the tolerance
    friction = 0.316 * (994.0 * speed * 0.019 / 8e-4) ** -0.25
    lost_m = friction * (100 + 2 * 25) / 0.019 * speed**2 / (2 * 9.81)
    assert head_m == pytest.approx(1.0 + lost_m, rel=0.15)


def test_each_battery_is_told_by_its_own_chemistry() -> None:
    one = Scenario.from_toml(HEAD + '[pump_power]\nkind = "lithium"').controller_settings()
    assert (one.pump_battery, one.fan_battery) == (Battery("lithium", 12.8, 13.1), Battery("lead-acid", 11.9, 12.4))


def test_a_plant_beyond_the_controllers_limits_is_refused_in_one_line() -> None:
    tiny = Scenario.from_toml(HEAD).varied({"pile.volume": 0.5, "pile.bulk_density": 400.0})
    with pytest.raises(ScenarioError, match="does not suit the controller: pile_wet_mass_kg = 200.0 is outside"):
        tiny.controller_settings()


def test_coil_conductance_is_a_series_of_skin_contact_and_wall() -> None:
    # by hand: 1/350 + 1/(5 x 100) + ln(24/19) / (2 pi 0.4 100) = 0.002857 + 0.002 + 0.000930 K/W
    assert coil_ua_w_k(Coil()) == pytest.approx(1 / 0.0057867, rel=1e-3)


def test_every_sensor_of_the_controller_has_a_table() -> None:
    sensors = Sensors()
    for name in CHANNEL_KIND:
        assert 0.0 < sensors.channel(name).dropout < 0.1
    assert set(CHANNEL_KIND) - set(sensors.fitted) == {"pile_o2", "greenhouse_co2"}
    assert sensors.channel("tank_c").lag == 25.0 and sensors.channel("pile_edge_c").lag == 300.0


def test_a_sensor_of_endless_name_is_refused_in_one_short_line() -> None:
    with pytest.raises(ScenarioError, match="is no sensor; known are pile_core_c") as refused:
        Scenario.load("scenarios/small-pile.toml").varied({"sensors.fitted": ("x" * 5000,)})
    assert len(str(refused.value)) <= 500
