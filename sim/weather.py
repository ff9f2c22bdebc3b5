"""A year of weather for a scenario, from any TMY3, EPW or TM2 file, as hourly arrays in SI units."""

from __future__ import annotations

import io
import re
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from sim.quantities import printable

if TYPE_CHECKING:
    from sim.scenario import Scenario

Hourly = npt.NDArray[np.float64]

HOURS = 8760
_LARGEST_FILE = 50 * 1024 * 1024
_MOST_MISSING = 0.05
_RAIN_ON_RECORD = 0.8
# An hour with more than 100 mm is beyond nearly all records, so such a file counts tenths of a millimetre. Greensboro's
# does, though its heading says mm: its figures go 3, 5, 8, 10, 13 ... (hundredths of an inch), 8345 in the year.
_DEEPEST_HOUR_MM = 100.0
# The drizzle rule where a file has no rain: with 0.7 mm/h the Greensboro file's own yearly total comes out.
_DRIZZLE_MM_H, _DRIZZLE_CLOUD, _DRIZZLE_RH = 0.7, 9.0, 0.90
_STEFAN_BOLTZMANN = 5.670374419e-8
_KELVIN = 273.15


class WeatherError(ValueError):
    """A weather file cannot be used; the text is one line that names the file and what is wrong."""

    def __init__(self, text: str) -> None:
        """Keep ``text`` to one printable line."""
        super().__init__(printable(text))


@dataclass(frozen=True, eq=False)
class Weather:
    """One year of weather: arrays of 8760 hourly means, index ``i`` for the hour from ``i`` to ``i + 1``.

    Hour 0 begins on 1 January 00:00 local standard time; for longer runs the year repeats. ``rh`` is a
    fraction 0..1; wind is as measured, usually at 10 m; ``rain_m_s`` is the water of all precipitation, snow
    included, as a depth per second; ``sky_c`` is the temperature of a black sky. Irradiance is on the
    horizontal (global, diffuse) and normal to the sun (direct). ``tz`` is hours ahead of UTC.
    """

    temperature_c: Hourly
    rh: Hourly
    wind_m_s: Hourly
    ghi_w_m2: Hourly
    dni_w_m2: Hourly
    dhi_w_m2: Hourly
    pressure_pa: Hourly
    rain_m_s: Hourly
    sky_c: Hourly
    ground_c: float
    latitude: float
    longitude: float
    altitude: float
    tz: float
    name: str
    rain_source: str
    sky_source: str


@dataclass(frozen=True, eq=False)
class _Year:
    """What a file holds, row by row, in SI units but for ``cloud`` (tenths) and ``rain_mm``; NaN where missing."""

    columns: dict[str, Hourly]
    place: dict[str, Any]


# name in _Year -> lowest and highest believable value; what lies outside is a missing code (-9900, 999, ...)
_BELIEVABLE = {
    "temperature_c": (-75.0, 60.0),
    "rh": (0.0, 1.1),
    "wind_m_s": (0.0, 70.0),
    "pressure_pa": (40e3, 115e3),
    "ghi": (0.0, 1600.0),
    "dni": (0.0, 1600.0),
    "dhi": (0.0, 1200.0),
    "cloud": (0.0, 10.0),
    "infrared": (50.0, 700.0),
    "rain_mm": (0.0, 900.0),
    "rain_hours": (0.0, 24.0),
}
_NEEDED = ("temperature_c", "rh", "wind_m_s", "pressure_pa", "ghi", "dni", "dhi")

# format -> name in _Year -> (column of pvlib's reader, factor to the unit of _Year)
_COLUMNS = {
    "TMY3": {
        "temperature_c": ("temp_air", 1.0),
        "rh": ("relative_humidity", 0.01),
        "wind_m_s": ("wind_speed", 1.0),
        "pressure_pa": ("pressure", 100.0),
        "ghi": ("ghi", 1.0),
        "dni": ("dni", 1.0),
        "dhi": ("dhi", 1.0),
        "cloud": ("OpqCld (tenths)", 1.0),
        "rain_mm": ("Lprecip depth (mm)", 1.0),
        "rain_hours": ("Lprecip quantity (hr)", 1.0),
    },
    "EPW": {
        "temperature_c": ("temp_air", 1.0),
        "rh": ("relative_humidity", 0.01),
        "wind_m_s": ("wind_speed", 1.0),
        "pressure_pa": ("atmospheric_pressure", 1.0),
        "ghi": ("ghi", 1.0),
        "dni": ("dni", 1.0),
        "dhi": ("dhi", 1.0),
        "cloud": ("opaque_sky_cover", 1.0),
        "infrared": ("ghi_infrared", 1.0),
        "rain_mm": ("liquid_precipitation_depth", 1.0),
        "rain_hours": ("liquid_precipitation_quantity", 1.0),
    },
    "TM2": {
        "temperature_c": ("DryBulb", 0.1),
        "rh": ("RHum", 0.01),
        "wind_m_s": ("Wspd", 0.1),
        "pressure_pa": ("Pressure", 100.0),
        "ghi": ("GHI", 1.0),
        "dni": ("DNI", 1.0),
        "dhi": ("DHI", 1.0),
        "cloud": ("OpqCld", 1.0),
    },
}


def load_weather(scenario: Scenario) -> Weather:
    """Read the scenario's weather file and apply its shift and rain factor.

    The shift keeps relative humidity, so that the air's humidity stays physical, and moves the sky with the air.
    Raises ``WeatherError`` for a file that is missing, of no known kind, not one hourly year, or too full of gaps.
    """
    year = read_year(scenario.weather_path)
    place = scenario.place
    column = year.columns
    at_stamp_c = column["temperature_c"] + place.temperature_shift
    rh = np.clip(column["rh"], 0.01, 1.0)
    emissivity, sky_source = _sky_emissivity(column, at_stamp_c, rh)
    rain_mm_h, rain_source = _rain(column)
    temperature_c = _hour_means(at_stamp_c)
    return Weather(
        temperature_c=temperature_c,
        rh=_hour_means(rh),
        wind_m_s=_hour_means(column["wind_m_s"]),
        ghi_w_m2=column["ghi"].copy(),
        dni_w_m2=column["dni"].copy(),
        dhi_w_m2=column["dhi"].copy(),
        pressure_pa=_hour_means(column["pressure_pa"]),
        rain_m_s=rain_mm_h * (place.rain_factor * 1e-3 / 3600.0),
        sky_c=_hour_means((at_stamp_c + _KELVIN) * emissivity**0.25 - _KELVIN),
        ground_c=float(temperature_c.mean()) if place.ground_temperature is None else place.ground_temperature,
        rain_source=rain_source,
        sky_source=sky_source,
        **year.place,
    )


def _hour_means(at_stamp: Hourly) -> Hourly:
    """Means over each hour of what the file gives at the hour's end; the year closes on itself.

    In all three formats row ``i`` is stamped ``i + 1``: irradiance and rain are sums over the hour before the
    stamp, the rest is read at the stamp (TMY3 manual, NREL/TP-581-43156, tables 1-1 to 1-6).
    """
    return np.asarray(0.5 * (np.roll(at_stamp, 1) + at_stamp), dtype=np.float64)


def dew_point_c(temperature_c: Hourly, rh: Hourly) -> Hourly:
    """Dew point over water, degC, from air temperature (degC) and relative humidity (0..1, above 0).

    Magnus form with the constants of Alduchov & Eskridge (1996), J. Appl. Meteorol. 35, 601-609 (from memory).
    """
    gamma = np.log(rh) + 17.625 * temperature_c / (243.04 + temperature_c)
    return np.asarray(243.04 * gamma / (17.625 - gamma))


def clear_sky_emissivity(dew_c: Hourly) -> Hourly:
    """Emissivity of a cloudless sky from the dew point, degC.

    Berdahl & Martin (1984), Solar Energy 32(5), 663-664, without their small terms for hour of day and pressure;
    as quoted in open building-simulation programs, the paper itself was not opened.
    """
    return np.asarray(0.711 + 0.56 * (dew_c / 100.0) + 0.73 * (dew_c / 100.0) ** 2)


def _sky_emissivity(column: dict[str, Hourly], air_c: Hourly, rh: Hourly) -> tuple[Hourly, str]:
    infrared = column.get("infrared")
    if infrared is not None and not np.isnan(infrared).any():
        # Against the unshifted air: the shift then moves the sky with it.
        black = _STEFAN_BOLTZMANN * (column["temperature_c"] + _KELVIN) ** 4
        return np.clip(infrared / black, 0.4, 1.0), "infrared radiation in the file"
    cloud, source = column["cloud"], "dew point and opaque cloud in the file"
    if np.isnan(cloud).any():
        cloud, source = np.full(HOURS, 5.0), "dew point; no cloud in the file: taken as half covered all year"
    # Cloud factor of the EnergyPlus Engineering Reference (after Walton 1983; from memory), cloud in tenths.
    factor = 1.0 + 0.0224 * cloud - 0.0035 * cloud**2 + 0.00028 * cloud**3
    return np.clip(clear_sky_emissivity(dew_point_c(air_c, rh)) * factor, 0.4, 1.0), source


def _rain(column: dict[str, Hourly]) -> tuple[Hourly, str]:
    """Precipitation in mm for each hour, and where it comes from in words."""
    depth, hours = column["rain_mm"], column["rain_hours"]
    depth = np.where(hours > 1.0, np.nan, depth)  # totals over more hours overlap the hourly ones
    recorded = np.mean(~np.isnan(depth))
    if recorded >= _RAIN_ON_RECORD and np.nansum(depth) > 0.0:
        tenths = np.nanmax(depth) > _DEEPEST_HOUR_MM
        unit = "tenths of a millimetre, as the size of its figures shows" if tenths else "millimetres"
        return np.nan_to_num(depth) * (0.1 if tenths else 1.0), f"hourly record in the file, in {unit}"
    overcast = ~(column["cloud"] < _DRIZZLE_CLOUD)  # a missing cloud figure leaves the humidity to decide
    drizzle = np.where(overcast & (column["rh"] >= _DRIZZLE_RH), _DRIZZLE_MM_H, 0.0)
    return drizzle, (
        f"none in the file ({recorded:.0%} of its hours on record): taken as {_DRIZZLE_MM_H} mm/h whenever the sky is "
        f"overcast and humidity {_DRIZZLE_RH:.0%} or more"
    )


def read_year(path: Path) -> _Year:
    """Read a weather file by its content; the last few files read are kept in memory."""
    try:
        stat = path.stat()
    except FileNotFoundError:
        raise WeatherError(f"{path}: no such weather file") from None
    except (OSError, ValueError) as error:
        raise WeatherError(f"{path}: cannot be read: {getattr(error, 'strerror', None) or error}") from None
    if not path.is_file():
        raise WeatherError(f"{path}: is no file")
    if stat.st_size > _LARGEST_FILE:
        raise WeatherError(f"{path}: too long for a year of weather: at most {_LARGEST_FILE // 2**20} MB")
    return _read_year(path, stat.st_mtime_ns, stat.st_size)


@lru_cache(maxsize=8)
def _read_year(path: Path, modified_ns: int, size: int) -> _Year:
    try:
        data = path.read_bytes()
    except OSError as error:
        raise WeatherError(f"{path}: cannot be read: {error.strerror}") from None
    kind = file_kind(data)
    if kind is None:
        raise WeatherError(f"{path}: is no weather file of a known kind: TMY3, EPW or TM2")
    try:
        table, meta = _parse(kind, path, data)
        columns = {name: _column(table, kind, name) for name in _BELIEVABLE}
        months, days = _calendar(table, kind)
        place = _place(meta)
    except Exception as error:  # pvlib and pandas raise whatever a broken file makes them stumble on
        first_line = (str(error).splitlines() or [type(error).__name__])[0]
        raise WeatherError(f"{path}: looks like {kind} but cannot be read: {first_line}") from None
    columns = _one_year(path, columns, months, days)
    return _Year({name: _filled(path, name, values) for name, values in columns.items()}, place)


def file_kind(data: bytes) -> str | None:
    """Tell "EPW", "TMY3" or "TM2" by the first two lines; None for anything else."""
    first, _, rest = data[:4096].partition(b"\n")
    if first.upper().startswith((b"LOCATION,", b"\xef\xbb\xbfLOCATION,")):
        return "EPW"
    if first.count(b",") >= 6 and rest.startswith(b"Date (MM/DD/YYYY)"):
        return "TMY3"
    if re.match(rb" ?\d{5} .{22} [A-Z]{2} +-?\d+ [NS]", first) and re.match(rb" ?\d{8}", rest):
        return "TM2"
    return None


def _parse(kind: str, path: Path, data: bytes) -> tuple[Any, dict[str, Any]]:
    from pvlib import iotools

    if kind == "TM2":
        return iotools.read_tmy2(path)  # type: ignore[no-any-return]
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    reader = iotools.read_epw if kind == "EPW" else iotools.read_tmy3
    return reader(io.StringIO(text))  # type: ignore[no-any-return]


def _column(table: Any, kind: str, name: str) -> Hourly:
    source, factor = _COLUMNS[kind].get(name, ("", 1.0))
    if source not in table:
        return np.full(len(table), np.nan)
    values = np.asarray(table[source], dtype=np.float64) * factor
    low, high = _BELIEVABLE[name]
    return np.where((values >= low) & (values <= high), values, np.nan)


def _calendar(table: Any, kind: str) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    if kind == "TMY3":
        date = table["Date (MM/DD/YYYY)"].str.split("/")
        return np.asarray(date.str[0], dtype=np.int64), np.asarray(date.str[1], dtype=np.int64)
    return np.asarray(table["month"], dtype=np.int64), np.asarray(table["day"], dtype=np.int64)


def _place(meta: dict[str, Any]) -> dict[str, Any]:
    name = str(meta.get("Name") or meta.get("City") or meta.get("city") or "").strip(' "')
    numbers = {key: float(meta[key]) for key in ("latitude", "longitude", "altitude")}
    if not all(np.isfinite(list(numbers.values()))):
        raise ValueError("its heading gives no place")
    return {**numbers, "tz": float(meta["TZ"]), "name": name.title() if name.isupper() else name}


def _one_year(
    path: Path, columns: dict[str, Hourly], months: npt.NDArray[np.int64], days: npt.NDArray[np.int64]
) -> dict[str, Hourly]:
    """Leave out 29 February and make sure that what is left is one hourly year from 1 January."""
    keep = ~((months == 2) & (days == 29))
    noon = np.arange("2001-01-01", "2002-01-01", dtype="datetime64[D]")
    in_year = (noon - noon.astype("datetime64[M]")).astype(np.int64) + 1
    if keep.sum() != HOURS or not np.array_equal(days[keep][11::24], in_year) or months[keep][11] != 1:
        raise WeatherError(f"{path}: must hold one year of hourly rows from 1 January on; it has {keep.sum()} rows")
    return {name: values[keep] for name, values in columns.items()}


def _filled(path: Path, name: str, values: Hourly) -> Hourly:
    """Bridge short gaps in a straight line; columns that may be absent stay NaN where they are mostly missing."""
    gaps = np.isnan(values)
    if name in ("rain_mm", "rain_hours") or not gaps.any():
        return values
    if gaps.mean() > _MOST_MISSING:
        if name in _NEEDED:
            most = int(_MOST_MISSING * HOURS)
            raise WeatherError(f"{path}: {name} is missing in {gaps.sum()} of {HOURS} hours, at most {most} may be")
        return np.full(HOURS, np.nan)
    hours = np.arange(HOURS)
    return np.interp(hours, hours[~gaps], values[~gaps], period=HOURS)
