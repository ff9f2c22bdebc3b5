"""Two published vessel runs with forced air against our pile's equations set to those vessels.

Inputs and figures: P. Cotera, code to a PhD thesis (University of Toronto), github.com/pcotera/ThesisCode, commit
e267890, Code/Ch5 (read). The repository has no licence, so only facts are used: inputs, temperatures at a few times.
The bar that no reviewed model met: Mason 2006, Waste Manage. 26, 3-21 (abstract read).
"""

from __future__ import annotations

import runpy
from dataclasses import replace
from math import exp
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from sim import layout as at
from sim.biology import HEAT_PER_OXYGEN, OXYGEN_PER_SOLID
from sim.media import CP_WATER, moist_enthalpy, saturated_ratio
from sim.pile import WORK_ROWS, pile_step
from sim.vessel import (
    COTERA_MATERIAL,
    COTERA_RECORDS,
    COTERA_VESSELS,
    DAY_S,
    PRESSURE_PA,
    Material,
    Vessel,
    VesselRun,
    room,
    run_vessel,
    vessel_parameters,
    vessel_state,
)

HOURS = 120.0
WHOLE_DAYS_H = np.array([24.0, 48.0, 72.0, 96.0, 120.0])


@pytest.fixture(scope="module")
def runs() -> dict[str, VesselRun]:
    return {name: run_vessel(vessel, COTERA_MATERIAL, HOURS) for name, vessel in COTERA_VESSELS.items()}


def error_k(run: VesselRun, name: str) -> np.ndarray:
    """Model less measurement at every time of the record."""
    record = COTERA_RECORDS[name]
    return np.interp(np.array(record.time_h) * 3600.0, run.time_s, run.mean_c) - record.mean_c


def at_whole_days(error: np.ndarray, name: str) -> np.ndarray:
    return error[np.isin(COTERA_RECORDS[name].time_h, WHOLE_DAYS_H)]


def rms(error: np.ndarray) -> float:
    return float(np.sqrt(np.mean(error**2)))


# --- the published model itself, written anew from its equations: did we read its inputs right?

COTERA_MODEL = {  # degradable kg, C:N, moisture %, air kg/day, wet kg, kJ/kg K, degC day/kJ
    "A": (0.269, 22.0, 57.0, 1.79, 2.43, 2.87, 0.074),
    "B": (0.562, 30.0, 54.0, 0.85, 5.1, 2.78, 0.077),
}
COTERA_MODEL_ANSWERS = {  # peak degC, its day, degC after 1..5 days, kg degraded (computed from those inputs)
    "A": (48.95, 0.80, (48.71, 45.65, 42.59, 39.83, 37.38), 0.1525),
    "B": (63.27, 1.63, (60.58, 62.90, 60.53, 57.86, 55.22), 0.2393),
}


def published_model(name: str):
    """One lump, one kind of solids, in kJ, kg and days, as its author has it."""
    solids_kg, cn, moisture, air, wet_kg, heat_capacity, resistance = COTERA_MODEL[name]
    moisture_and_nitrogen = exp(-0.5 * ((moisture - 55.0) / 27.5) ** 2) * exp(-0.4 * (cn - 20.0) / 7.0)

    def humidity(t_c: float) -> float:
        return 0.00464 * exp(0.05859 * t_c)

    def rates(_day: float, y: np.ndarray) -> tuple[float, float]:
        lost = 0.2 * exp(-0.1 * ((y[1] - 70.0) / 35.0) ** 2) * moisture_and_nitrogen * y[0]
        inlet = 0.5 * humidity(24.0)
        by_air = air * ((1.006 + inlet * 1.860) * (y[1] - 24.0) + 2501.0 * (humidity(y[1]) - inlet))
        return -lost, (17500.0 * lost - by_air - (y[1] - 24.0) / resistance) / (wet_kg * heat_capacity)

    return solve_ivp(rates, (0.0, 5.0), (solids_kg, 24.0), rtol=1e-9, atol=1e-9, t_eval=np.linspace(0.0, 5.0, 2001))


@pytest.mark.parametrize("name", ["A", "B"])
def test_published_model_gives_its_own_published_numbers(name):
    solution = published_model(name)
    peak_c, peak_day, daily_c, degraded_kg = COTERA_MODEL_ANSWERS[name]
    assert solution.y[1].max() == pytest.approx(peak_c, abs=0.006)
    assert solution.t[solution.y[1].argmax()] == pytest.approx(peak_day, abs=0.01)  # a flat top
    assert np.interp(WHOLE_DAYS_H / 24.0, solution.t, solution.y[1]) == pytest.approx(daily_c, abs=0.006)
    assert solution.y[0, 0] - solution.y[0, -1] == pytest.approx(degraded_kg, abs=6e-5)


@pytest.mark.parametrize("name", ["A", "B"])
def test_our_vessels_carry_the_same_inputs_in_si(name):
    solids_kg, cn, moisture, air, wet_kg, heat_capacity, resistance = COTERA_MODEL[name]
    vessel = COTERA_VESSELS[name]
    assert (vessel.degradable_kg, vessel.wet_kg, vessel.moisture) == (solids_kg, wet_kg, moisture / 100.0)
    assert vessel.air_kg_s * DAY_S == pytest.approx(air)
    assert vessel.specific_heat_j_kg_k == pytest.approx(1000.0 * heat_capacity)
    assert vessel.wall_w_k == pytest.approx(1000.0 / DAY_S / resistance)
    assert vessel.nitrogen_factor == pytest.approx(exp(-0.4 * (cn - 20.0) / 7.0))
    assert HEAT_PER_OXYGEN * OXYGEN_PER_SOLID == pytest.approx(17.5e6)


# --- our pile, set to those vessels: one number fitted, to vessel A; B is predicted


def test_fitted_vessel_a_is_within_its_stated_error(runs):
    # Stated in docs/vessels.md: 3.5 K rms on whole days (published model at those times 2.0, over all its points 1.67).
    error = at_whole_days(error_k(runs["A"], "A"), "A")
    assert rms(error) < 3.8
    assert np.abs(error).max() < 5.0  # Mason's bar for the greatest error: met
    assert np.abs(error).mean() < 3.5  # his bar for the mean, 2 K: missed


def test_predicted_vessel_b_is_as_good_as_the_published_model(runs):
    error = at_whole_days(error_k(runs["B"], "B"), "B")
    solution = published_model("B")
    record = np.array([57.8, 60.9, 61.2, 58.9, 55.9])
    published = rms(np.interp(WHOLE_DAYS_H / 24.0, solution.t, solution.y[1]) - record)
    assert rms(error) < published + 0.15
    assert np.abs(error).max() < 5.0
    assert np.abs(error).mean() < 2.0  # both bars of Mason 2006, at these times


@pytest.mark.parametrize("name", ["A", "B"])
def test_peak_is_within_the_bar_of_two_kelvin(runs, name):
    assert runs[name].mean_c.max() == pytest.approx(COTERA_RECORDS[name].peak_c, abs=2.0)


@pytest.mark.parametrize("name", ["A", "B"])
def test_warm_up_follows_the_record(runs, name):
    early = np.array(COTERA_RECORDS[name].time_h) < 24.0
    assert np.abs(error_k(runs[name], name)[early]).max() < 3.0


def test_rate_stands_where_the_fit_to_vessel_a_puts_it(runs):
    def cost(rate_per_s: float) -> float:
        run = run_vessel(COTERA_VESSELS["A"], replace(COTERA_MATERIAL, rate_per_s=rate_per_s), HOURS)
        return float(np.sum(error_k(run, "A") ** 2))

    fitted = COTERA_MATERIAL.rate_per_s
    assert cost(fitted) < min(cost(0.97 * fitted), cost(1.03 * fitted))


def test_inlet_end_is_cooler_than_the_middle_as_measured(runs):
    # Vessel B after a day: bottom 54.1, middle 61.4, top 57.0 degC (read from its record).
    bottom, middle, top = (part.mean() for part in np.split(runs["B"].layers_c[96], [3, 7]))
    assert 3.0 < middle - bottom < 9.0
    assert top > bottom


# --- the vessel as built


def test_energy_and_water_of_a_vessel_close():
    vessel = replace(COTERA_VESSELS["B"], room_c=20.0)  # a room colder than the filling
    p, start = vessel_parameters(vessel, COTERA_MATERIAL), vessel_state(vessel, COTERA_MATERIAL)
    end, ledger = run_by_hand(vessel, p, start.copy(), hours=48)
    solids_c = (start[at.Y_HEAT : at.Y_HEAT + at.SHELLS].sum()) / (vessel.wet_kg * vessel.specific_heat_j_kg_k)
    assert solids_c == pytest.approx(24.0)
    layers = slice(at.Y_HEAT, at.Y_HEAT + at.SHELLS)
    gained = end[layers].sum() - start[layers].sum()
    to_room = end[at.Y_GROUND] - start[at.Y_GROUND]
    by_air = ledger[at.L_FAN_OUT] - ledger[at.L_AIR_IN]
    balance = ledger[at.L_MADE] + ledger[at.L_BIO_SENSIBLE] - to_room - by_air - ledger[at.L_SURFACE]
    assert gained == pytest.approx(balance, abs=1e-6 * ledger[at.L_MADE])
    water = slice(at.Y_WATER, at.Y_WATER + at.SHELLS)
    dried = start[water].sum() - end[water].sum()
    assert dried == pytest.approx(ledger[at.L_WATER_FAN] - ledger[at.L_WATER_AIR_IN] - ledger[at.L_WATER_BIO], rel=1e-9)
    assert ledger[at.L_SURFACE] == pytest.approx(0.0, abs=1e-3)


def run_by_hand(vessel, p, y, hours):
    flags, ledger, work = np.zeros(at.G_SIZE), np.zeros(at.L_SIZE), np.zeros((WORK_ROWS, at.SHELLS))
    for _ in range(int(hours * 120)):
        pile_step(y, p, room(vessel), vessel.air_kg_s, 30.0, flags, ledger, work)
    return y, ledger


def test_dead_vessel_cools_by_wall_and_air_as_reckoned_by_hand():
    sterile = Material(rate_per_s=0.0, start_activity=0.0)
    vessel = replace(COTERA_VESSELS["A"], start_c=60.0, height_per_diameter=0.2, wall_w_k=0.5)
    run = run_vessel(vessel, sterile, hours=0.25, every_s=60.0)
    capacity = vessel.wet_kg * vessel.specific_heat_j_kg_k
    cooled_w = -capacity * (run.mean_c[1] - run.mean_c[0]) / 60.0
    moist = saturated_ratio(60.0, PRESSURE_PA) * (1.0 - exp(-10.0 * 0.57 / 0.43))
    fresh = 0.5 * saturated_ratio(24.0, PRESSURE_PA)
    taken = moist_enthalpy(60.0, moist) - moist_enthalpy(24.0, fresh)
    by_air = vessel.air_kg_s * (taken - (moist - fresh) * CP_WATER * 60.0)
    assert cooled_w == pytest.approx(0.5 * 36.0 + by_air, rel=0.01)


def test_a_shorter_step_changes_little(runs, monkeypatch):
    monkeypatch.setattr("sim.vessel.LONGEST_STEP_S", 20.0)
    fine = run_vessel(COTERA_VESSELS["B"], COTERA_MATERIAL, HOURS)
    assert np.abs(fine.mean_c - runs["B"].mean_c).max() < 0.05


@pytest.mark.parametrize("change", [{"bulk_density_kg_m3": 250.0}, {"bulk_density_kg_m3": 600.0}])
def test_assumed_density_hardly_matters(runs, change):
    run = run_vessel(replace(COTERA_VESSELS["B"], **change), COTERA_MATERIAL, HOURS)
    assert np.abs(run.mean_c - runs["B"].mean_c).max() < 0.3


# --- what the factors put first. Measured peaks at 50, 60 and 70 % moisture (0.95 kg each): 48.8, 56.9, 42.8 degC.


def moist_vessel(moisture: float, dry_kg: float, dry_density_kg_m3: float) -> Vessel:
    share = 1.0 - moisture
    return replace(
        COTERA_VESSELS["A"], wet_kg=dry_kg / share, degradable_kg=0.26 * dry_kg, moisture=moisture,
        air_kg_s=0.7 / DAY_S, specific_heat_j_kg_k=1127.0 * share + CP_WATER * moisture,
        bulk_density_kg_m3=dry_density_kg_m3 / share, nitrogen_factor=1.0,
    )  # fmt: skip


def moist_peak_c(moisture: float, dry_kg: float) -> float:
    return float(run_vessel(moist_vessel(moisture, dry_kg, 250.0), COTERA_MATERIAL, HOURS).mean_c.max())


def test_sixty_percent_moisture_beats_fifty_and_seventy_for_the_same_dry_mass():
    peaks = [moist_peak_c(m, dry_kg=0.38) for m in (0.5, 0.6, 0.7)]
    assert peaks[1] > peaks[0] + 0.5
    assert peaks[1] > peaks[2] + 1.0


def test_sixty_percent_beats_seventy_for_the_same_wet_mass_but_not_fifty():
    # The wetter filling holds less to rot. That fifty loses too, as measured, our factors do not give: a known miss.
    peaks = [moist_peak_c(m, dry_kg=0.95 * (1.0 - m)) for m in (0.5, 0.6, 0.7)]
    assert peaks[1] > peaks[2] + 1.0
    assert abs(peaks[1] - peaks[0]) < 2.5


# --- the page about it


def test_the_page_shows_what_the_script_prints(runs):
    root = Path(__file__).parents[2]
    script = runpy.run_path(str(root / "bench" / "vessels.py"))
    page = (root / "docs" / "vessels.md").read_text(encoding="utf-8")
    missing = [line for line in script["table"](runs) if line not in page]
    assert missing == [], "docs/vessels.md is stale: copy the tables that bench/vessels.py prints"
