from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest
from pvlib import location, modelchain, pvsystem

from sim.panel import panel_power_w
from sim.scenario import Scenario
from sim.scenario_tables import Power
from sim.weather import HOURS, Weather, load_weather


@cache
def weather() -> Weather:
    text = 'title = "t"\ninvented = true\n[place]\nweather = "pvlib:723170TYA.CSV"\nstart = "11-15"\n'
    return load_weather(Scenario.from_toml(text))


def power(**fields: float) -> Power:
    return Power.model_validate(fields, context={"si": True})


def mean_hour(watts: np.ndarray) -> float:
    """Centre of gravity of a year's output within the day, h."""
    by_hour = watts.reshape(365, 24).sum(axis=0)
    return float((by_hour * (np.arange(24) + 0.5)).sum() / by_hour.sum())


@pytest.mark.parametrize(("tilt", "azimuth"), [(60.0, 180.0), (20.0, 90.0), (0.0, 0.0), (90.0, 300.0)])
def test_power_agrees_with_pvlibs_own_model_chain(tilt: float, azimuth: float) -> None:
    w = weather()
    array = pvsystem.Array(
        pvsystem.FixedMount(surface_tilt=tilt, surface_azimuth=azimuth),
        module_parameters={"pdc0": 100.0, "gamma_pdc": -0.004},
        temperature_model_parameters={"u0": 25.0, "u1": 6.84},
    )
    no_shade = {"shading": 0, "availability": 0}
    chain = modelchain.ModelChain(
        pvsystem.PVSystem([array], inverter_parameters={"pdc0": 1e3}, losses_parameters=no_shade),
        location.Location(w.latitude, w.longitude, "UTC", w.altitude),
        dc_model="pvwatts",
        ac_model="pvwatts",
        aoi_model="physical",
        spectral_model="no_loss",
        temperature_model="faiman",
        losses_model="pvwatts",
    )
    index = pd.date_range("2001-01-01 05:30", periods=HOURS, freq="h", tz="UTC")
    chain.run_model(
        pd.DataFrame(
            {
                "ghi": w.ghi_w_m2,
                "dni": w.dni_w_m2,
                "dhi": w.dhi_w_m2,
                "temp_air": w.temperature_c,
                "wind_speed": w.wind_m_s,
            },
            index=index,
        )
    )
    theirs = np.nan_to_num(np.asarray(chain.results.dc, dtype=float))
    ours = panel_power_w(w, power(tilt=tilt, azimuth=azimuth))
    assert ours.sum() == pytest.approx(theirs.sum(), rel=0.01)
    assert ours == pytest.approx(theirs, abs=2.0)


def test_output_is_a_finite_contiguous_year_and_dark_at_night() -> None:
    watts = panel_power_w(weather(), power())
    assert watts.shape == (HOURS,) and watts.dtype == np.float64 and watts.flags.c_contiguous
    assert np.isfinite(watts).all() and watts.min() == 0.0 and 80.0 < watts.max() < 110.0
    night = (weather().ghi_w_m2 + weather().dni_w_m2 + weather().dhi_w_m2) == 0.0
    assert watts[night].max() == 0.0 and watts[~night].mean() > 10.0


def test_a_year_yields_what_such_places_yield() -> None:
    # 1.2 to 1.5 kWh a year per rated watt in the south-east of the USA: common practice, no source
    yearly_kwh = panel_power_w(weather(), power(tilt=36.0)).sum() / 1e3
    assert 120.0 < yearly_kwh < 155.0


def test_a_steep_panel_gives_more_in_december_and_a_flat_one_in_june() -> None:
    steep, flat = (panel_power_w(weather(), power(tilt=tilt)) for tilt in (60.0, 5.0))
    december, june = slice(334 * 24, HOURS), slice(151 * 24, 181 * 24)
    assert steep[december].sum() > 1.3 * flat[december].sum()
    assert steep[june].sum() < 0.9 * flat[june].sum()


def test_east_peaks_before_south_and_south_before_west() -> None:
    east, south, west = (
        mean_hour(panel_power_w(weather(), power(azimuth=azimuth))) for azimuth in (90.0, 180.0, 270.0)
    )
    # solar noon in Greensboro: 80 deg west of Greenwich in the zone of 75 deg is 20 min after twelve
    assert east + 1.0 < south < west - 1.0 and south == pytest.approx(12.33, abs=0.4)


def test_power_follows_the_rating_and_the_shade() -> None:
    full, double = panel_power_w(weather(), power()), panel_power_w(weather(), power(panel=200.0))
    half = panel_power_w(weather(), power(shade=0.5))
    assert double == pytest.approx(2.0 * full)
    # a shaded cell stays cooler, so half the light gives a little more than half the power
    assert 0.5 * full.sum() < half.sum() < 0.56 * full.sum()
    assert panel_power_w(weather(), power(shade=1.0)).max() == 0.0
    assert panel_power_w(weather(), power(panel=0.0)).max() == 0.0


def test_cold_makes_a_panel_stronger() -> None:
    cold = replace(weather(), temperature_c=weather().temperature_c - 20.0)
    ratio = panel_power_w(cold, power()).sum() / panel_power_w(weather(), power()).sum()
    assert ratio == pytest.approx(1.08, abs=0.01)  # 20 K at 0.4 % per kelvin
