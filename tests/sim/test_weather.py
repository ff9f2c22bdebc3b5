import datetime
from dataclasses import fields
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import psychrolib
import pvlib
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pvlib import solarposition

from sim.scenario import Scenario
from sim.weather import (
    HOURS,
    Weather,
    WeatherError,
    clear_sky_emissivity,
    dew_point_c,
    file_kind,
    load_weather,
    read_year,
)

PVLIB_DATA = Path(pvlib.__file__).parent / "data"
GREENSBORO, SAND_POINT, MIAMI = "723170TYA.CSV", "703165TY.csv", "12839.tm2"


def scenario(weather: str = f"pvlib:{GREENSBORO}", more: str = "", folder: Path = Path(".")) -> Scenario:
    text = f'title = "t"\ninvented = true\n[place]\nweather = "{weather}"\nstart = "11-15"\n{more}'
    return Scenario.from_toml(text, folder=folder)


@cache
def shipped(name: str) -> Weather:
    return load_weather(scenario(f"pvlib:{name}"))


def arrays(weather: Weather) -> dict[str, np.ndarray]:
    values = {field.name: getattr(weather, field.name) for field in fields(weather)}
    return {name: value for name, value in values.items() if isinstance(value, np.ndarray)}


# --- the three files that pvlib ships ---------------------------------------------------------------------------


@pytest.mark.parametrize("name", [GREENSBORO, SAND_POINT, MIAMI])
def test_a_year_is_whole_contiguous_and_physical(name: str) -> None:
    weather = shipped(name)
    for values in arrays(weather).values():
        assert values.shape == (HOURS,) and values.dtype == np.float64 and values.flags.c_contiguous
        assert np.isfinite(values).all()
    assert weather.rh.min() > 0.0 and weather.rh.max() <= 1.0
    assert (weather.sky_c <= weather.temperature_c + 1e-9).all()
    for name_ in ("ghi_w_m2", "dni_w_m2", "dhi_w_m2", "wind_m_s", "rain_m_s"):
        assert getattr(weather, name_).min() >= 0.0


@pytest.mark.parametrize(
    ("name", "place", "latitude", "longitude", "tz", "mean_c"),
    [
        # headings of the files; yearly means of the dry-bulb column as printed by the reader
        (GREENSBORO, "Greensboro Piedmont Triad Int", 36.1, -79.95, -5.0, 14.42),
        (SAND_POINT, "Sand Point", 55.317, -160.517, -9.0, 4.42),
        (MIAMI, "Miami", 25.8, -80.267, -5.0, 24.31),
    ],
)
def test_each_format_gives_its_place_and_mean(
    name: str, place: str, latitude: float, longitude: float, tz: float, mean_c: float
) -> None:
    weather = shipped(name)
    assert (weather.name, weather.tz) == (place, tz)
    assert (weather.latitude, weather.longitude) == pytest.approx((latitude, longitude), abs=0.001)
    assert weather.temperature_c.mean() == pytest.approx(mean_c, abs=0.01)
    assert weather.ground_c == pytest.approx(mean_c, abs=0.01)


@pytest.mark.parametrize("name", [GREENSBORO, SAND_POINT, MIAMI])
def test_irradiance_belongs_to_the_middle_of_its_hour(name: str) -> None:
    # Global = direct x cos(zenith) + diffuse closes best with the sun where it stands in the middle of the hour.
    weather = shipped(name)

    def misfit_w_m2(minutes: int) -> float:
        start = np.datetime64("2001-01-01T00:00") - np.timedelta64(int(weather.tz * 60), "m")
        times = start + np.arange(HOURS) * np.timedelta64(60, "m") + np.timedelta64(minutes, "m")
        index = pd.DatetimeIndex(times, tz="UTC")
        zenith = solarposition.get_solarposition(index, weather.latitude, weather.longitude)["zenith"].to_numpy()
        beam = weather.dni_w_m2 * np.maximum(np.cos(np.radians(zenith)), 0.0)
        return float(np.abs(beam + weather.dhi_w_m2 - weather.ghi_w_m2).mean())

    assert misfit_w_m2(30) < 0.5 * min(misfit_w_m2(0), misfit_w_m2(15), misfit_w_m2(45), misfit_w_m2(60))


def test_readings_at_the_stamp_become_means_of_the_hour() -> None:
    # first rows of the Greensboro file: 10.0 degC at 01:00 and 10.0 at 02:00; its last, 24:00 on 31 December, closes
    table, _ = pvlib.iotools.read_tmy3(PVLIB_DATA / GREENSBORO)
    at_stamp = table["temp_air"].to_numpy()
    weather = shipped(GREENSBORO)
    assert weather.temperature_c[0] == pytest.approx((at_stamp[-1] + at_stamp[0]) / 2)
    assert weather.temperature_c[5000] == pytest.approx((at_stamp[4999] + at_stamp[5000]) / 2)
    assert weather.pressure_pa[1] == pytest.approx(99300.0)


# --- rain -------------------------------------------------------------------------------------------------------


def test_recorded_rain_is_used_and_its_unit_recognised() -> None:
    # The file heads its column "mm" but sums to 8345: tenths. Climate normals for Greensboro are about 1.1 m a year.
    weather = shipped(GREENSBORO)
    assert weather.rain_m_s.sum() * 3600 == pytest.approx(0.8345)
    assert "hourly record" in weather.rain_source and "tenths" in weather.rain_source


@pytest.mark.parametrize(("name", "least_m", "most_m"), [(SAND_POINT, 0.3, 1.5), (MIAMI, 0.1, 1.5)])
def test_rain_that_is_not_on_record_is_estimated_and_said_to_be(name: str, least_m: float, most_m: float) -> None:
    weather = shipped(name)
    assert weather.rain_source.startswith("none in the file") and "taken as 0.7 mm/h" in weather.rain_source
    assert least_m < weather.rain_m_s.sum() * 3600 < most_m
    dry = weather.rain_m_s == 0.0
    assert weather.rh[~dry].min() > 0.7, "it never rains out of dry air"


def test_the_estimate_agrees_with_the_record_of_the_file_it_was_set_to(tmp_path: Path) -> None:
    lines = (PVLIB_DATA / GREENSBORO).read_text(encoding="utf-8").splitlines()
    column = lines[1].split(",").index("Lprecip depth (mm)")
    blanked = [
        ",".join([*row[:column], "-9900", *row[column + 1 :]]) for row in (line.split(",") for line in lines[2:])
    ]
    (tmp_path / "dry.csv").write_text("\n".join([*lines[:2], *blanked]), encoding="utf-8")
    estimated = load_weather(scenario("dry.csv", folder=tmp_path))
    assert estimated.rain_source.startswith("none in the file")
    assert estimated.rain_m_s.sum() == pytest.approx(shipped(GREENSBORO).rain_m_s.sum(), rel=0.05)


# --- what a scenario changes ------------------------------------------------------------------------------------


def test_a_shift_keeps_relative_humidity_and_moves_air_sky_and_ground() -> None:
    cold = load_weather(scenario(more='temperature_shift = "-9 K"'))
    mild = shipped(GREENSBORO)
    assert cold.temperature_c == pytest.approx(mild.temperature_c - 9.0)
    assert np.array_equal(cold.rh, mild.rh)
    assert cold.ground_c == pytest.approx(mild.ground_c - 9.0)
    assert (cold.sky_c < mild.sky_c - 8.0).all()
    assert np.array_equal(cold.ghi_w_m2, mild.ghi_w_m2)


def test_rain_factor_and_ground_temperature_apply() -> None:
    wet = load_weather(scenario(more='rain_factor = 2\nground_temperature = "50 degF"'))
    assert wet.rain_m_s == pytest.approx(2 * shipped(GREENSBORO).rain_m_s)
    assert wet.ground_c == pytest.approx(10.0)


def test_one_scenarios_arrays_are_its_own() -> None:
    mine = load_weather(scenario())
    mine.ghi_w_m2[:] = -1.0
    assert load_weather(scenario()).ghi_w_m2.max() > 900.0


# --- sky --------------------------------------------------------------------------------------------------------


def test_dew_point_agrees_with_psychrolib() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    air_c, rh = (grid.ravel() for grid in np.meshgrid(np.linspace(1.0, 40.0, 14), np.linspace(0.1, 1.0, 10)))
    expected = np.array([psychrolib.GetTDewPointFromRelHum(*pair) for pair in zip(air_c, rh, strict=True)])
    above = expected > 0.0  # below freezing psychrolib means ice, weather files and ours supercooled water
    assert above.sum() > 80
    assert dew_point_c(air_c, rh)[above] == pytest.approx(expected[above], abs=0.05)


def test_clear_sky_emissivity_at_hand_worked_dew_points() -> None:
    # 0.711 + 0.56 x + 0.73 x^2 with x = dew point / 100
    assert clear_sky_emissivity(np.array([-10.0, 0.0, 20.0])) == pytest.approx([0.6623, 0.711, 0.8522])


def test_the_sky_is_far_colder_when_clear_than_when_overcast() -> None:
    weather = shipped(GREENSBORO)
    cloud = read_year(PVLIB_DATA / GREENSBORO).columns["cloud"]
    depression = weather.temperature_c - weather.sky_c
    clear, overcast = depression[cloud == 0].mean(), depression[cloud == 10].mean()
    assert 15.0 < clear < 30.0 and overcast < 10.0


# --- EPW --------------------------------------------------------------------------------------------------------


def epw(days: int = 365, year: int = 2001, **columns: str) -> str:
    """Write a small invented EPW year; ``columns`` replace single columns by one text for all rows."""
    names = (
        "year month day hour minute flags temp_air temp_dew rh pressure etr etrn infrared ghi dni dhi a b c d "
        "wind_dir wind total_cloud cloud visibility ceiling e f water depth snow since albedo rain rain_hours"
    ).split()
    base = dict.fromkeys(names, "0") | {"minute": "60", "rh": "80", "pressure": "95000", "infrared": "300", "wind": "3"}
    base |= {"cloud": "10", "rain_hours": "1"} | columns
    head = ["LOCATION,Nowhere,XX,XXX,invented,000000,50.0,10.0,1.0,300.0"] + ["X"] * 7
    first = datetime.date(year, 1, 1)
    rows = []
    for hour in range(days * 24):
        day = first + datetime.timedelta(hour // 24)
        now = {"year": str(year), "month": str(day.month), "day": str(day.day), "hour": str(hour % 24 + 1)}
        row = base | now | {"temp_air": columns.get("temp_air", f"{hour % 24}")}
        rows.append(",".join(row[name] for name in names))
    return "\n".join(head + rows) + "\n"


def load_epw(folder: Path, text: str | bytes) -> Weather:
    data = text.encode("utf-8") if isinstance(text, str) else text
    (folder / "w.dat").write_bytes(data)
    return load_weather(scenario("w.dat", folder=folder))


def test_an_epw_is_known_by_its_content_and_read_in_si(tmp_path: Path) -> None:
    weather = load_epw(tmp_path, epw(rain="2"))
    assert (weather.name, weather.tz, weather.altitude) == ("Nowhere", 1.0, 300.0)
    # hour 13 to 14 of each day: 12 at the stamp 13:00, 13 at 14:00
    assert weather.temperature_c[13::24] == pytest.approx(np.full(365, 12.5))
    assert weather.pressure_pa[0] == 95000.0 and weather.rh[0] == pytest.approx(0.8)
    assert weather.rain_m_s == pytest.approx(np.full(HOURS, 2e-3 / 3600))
    assert "in millimetres" in weather.rain_source


def test_infrared_in_the_file_sets_the_sky(tmp_path: Path) -> None:
    weather = load_epw(tmp_path, epw(temp_air="10"))
    # 300 W/m2 = sigma T^4 gives T = 269.70 K
    assert weather.sky_c == pytest.approx(np.full(HOURS, (300 / 5.670374e-8) ** 0.25 - 273.15), abs=0.01)
    assert weather.sky_source == "infrared radiation in the file"


def test_without_cloud_and_infrared_the_sky_is_half_covered_and_said_so(tmp_path: Path) -> None:
    weather = load_epw(tmp_path, epw(infrared="9999", cloud="99", temp_air="10"))
    assert "no cloud in the file" in weather.sky_source
    # by hand: dew point 6.71, emissivity (0.711 + 0.0376 + 0.0033) x 1.0595 = 0.7967, 283.15 x 0.7967^0.25 = 267.5 K
    assert weather.sky_c == pytest.approx(np.full(HOURS, -5.64), abs=0.05)


def test_a_leap_day_is_left_out(tmp_path: Path) -> None:
    assert load_epw(tmp_path, epw(days=366, year=2004)).temperature_c.size == HOURS


def test_short_gaps_are_bridged(tmp_path: Path) -> None:
    lines = epw(temp_air="10").splitlines()
    for row in (8 + 100, 8 + 101):
        cells = lines[row].split(",")
        lines[row] = ",".join([*cells[:6], "99.9", *cells[7:]])
    assert load_epw(tmp_path, "\n".join(lines)).temperature_c == pytest.approx(np.full(HOURS, 10.0))


def test_a_changed_file_is_read_anew(tmp_path: Path) -> None:
    assert load_epw(tmp_path, epw(temp_air="10")).temperature_c.mean() == pytest.approx(10.0)
    assert load_epw(tmp_path, epw(temp_air="-5")).temperature_c.mean() == pytest.approx(-5.0)


def test_a_name_outside_utf_8_does_not_matter(tmp_path: Path) -> None:
    assert load_epw(tmp_path, epw().replace("Nowhere", "Sé", 1).encode("latin-1")).name == "Sé"


# --- files that will not do -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "is no weather file of a known kind: TMY3, EPW or TM2"),
        (b"\x00\xff" * 500, "of a known kind"),
        (b"<html>not found</html>", "of a known kind"),
        (b"LOCATION,x\n", "looks like EPW but cannot be read"),
        (epw(days=100).encode(), "must hold one year of hourly rows from 1 January on; it has 2400 rows"),
        (epw(rh="999").encode(), "rh is missing in 8760 of 8760 hours, at most 438 may be"),
        (epw(temp_air="warm").encode(), "looks like EPW but cannot be read"),
        (epw().replace(",50.0,10.0,", ",north,10.0,", 1).encode(), "looks like EPW but cannot be read"),
        (b'1,"X",AK,-9.0,55.3,-160.5,7\nDate (MM/DD/YYYY),Time (HH:MM)\n01/01/1997\n', "looks like TMY3"),
    ],
    ids=range(9),
)
def test_a_file_that_will_not_do_gives_one_line(tmp_path: Path, data: bytes, said: str) -> None:
    with pytest.raises(WeatherError) as caught:
        load_epw(tmp_path, data)
    text = str(caught.value)
    assert said in text and "w.dat" in text and "\n" not in text


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    for name, said in (
        ("none.epw", "no such weather file"),
        (".", "is no file"),
        ("a\\nb", r"a\\nb: no such"),
        ("pvlib:../secret", "no such"),
    ):
        with pytest.raises(WeatherError, match=said):
            load_weather(scenario(name, folder=tmp_path))


def test_a_huge_file_is_not_read(tmp_path: Path) -> None:
    with (tmp_path / "w.dat").open("wb") as file:
        file.truncate(60 * 2**20)  # sparse
    with pytest.raises(WeatherError, match="at most 50 MB"):
        load_weather(scenario("w.dat", folder=tmp_path))


@given(st.binary(max_size=200))
def test_any_bytes_have_a_kind_or_none(data: bytes) -> None:
    assert file_kind(data) in (None, "EPW", "TMY3", "TM2")
    assert file_kind(b"LOCATION," + data) == "EPW"
