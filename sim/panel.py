"""What a solar panel delivers in each hour of the year."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from sim.weather import HOURS, Hourly, Weather

if TYPE_CHECKING:
    from sim.scenario_tables import Power

_POWER_PER_KELVIN = -0.004  # crystalline silicon: common practice, no source


def panel_power_w(weather: Weather, power: Power) -> Hourly:
    """Mean power of the panel in each hour of the year, W at its best working point; shape (8760,).

    Sun at the middle of the hour; sky light by Hay & Davies; reflection of the direct light by Fresnel; cell
    temperature by Faiman; power and losses (dirt, mismatch, wiring, ageing and tolerance) by PVWatts,
    NREL/TP-6A20-62641: all of them pvlib's. The horizon is free; shade takes its share of all light; no snow.
    """
    import pandas as pd
    from pvlib import iam, irradiance, pvsystem, solarposition, temperature

    middles = pd.date_range("2001-01-01 00:30", periods=HOURS, freq="h") - pd.Timedelta(hours=weather.tz)
    sun = solarposition.get_solarposition(
        middles.tz_localize("UTC"), weather.latitude, weather.longitude, weather.altitude
    )
    zenith, azimuth = sun["apparent_zenith"].to_numpy(), sun["azimuth"].to_numpy()
    light = irradiance.get_total_irradiance(
        power.tilt,
        power.azimuth,
        zenith,
        azimuth,
        dni=weather.dni_w_m2,
        ghi=weather.ghi_w_m2,
        dhi=weather.dhi_w_m2,
        dni_extra=np.asarray(irradiance.get_extra_radiation(middles)),
        model="haydavies",
    )
    angle_deg = irradiance.aoi(power.tilt, power.azimuth, zenith, azimuth)
    used_w_m2 = (light["poa_direct"] * iam.physical(angle_deg) + light["poa_diffuse"]) * (1.0 - power.shade)
    cell_c = temperature.faiman(used_w_m2, weather.temperature_c, weather.wind_m_s)
    kept = 1.0 - pvsystem.pvwatts_losses(shading=0.0, availability=0.0) / 100.0
    watts = kept * pvsystem.pvwatts_dc(used_w_m2, cell_c, power.panel, _POWER_PER_KELVIN)
    return np.ascontiguousarray(np.nan_to_num(np.maximum(watts, 0.0)), dtype=np.float64)
