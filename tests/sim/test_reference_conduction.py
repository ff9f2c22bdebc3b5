"""Conduction in the pile against the series for a cooling sphere.

A half sphere on an insulated base is half of a whole one. Solutions: H. S. Carslaw and J. C. Jaeger, Conduction of
Heat in Solids, 2nd ed. 1959, chapter 9 (sphere with its surface held, and with radiation at the surface). The book
was not opened: the series are from memory, and the tests below check them against their own limits.
"""

from __future__ import annotations

import numpy as np
import pytest
from rigs import DAY_S, lifeless, plant, set_pile_c, shell_capacity_j_k, shells, steady_weather
from scipy.optimize import brentq

from sim import Plant
from sim import layout as at
from sim.params import middle_radii_m, shell_radii_m
from sim.pile import W_GHI, W_OUT_C, W_SIZE, W_SKY_C, W_WIND, surface_exchange

START_C, OUTSIDE_C = 60.0, 10.0


def held_surface(r: np.ndarray, fourier: float, terms: int = 400) -> tuple[np.ndarray, float]:
    """Excess at relative radii r, and its mean, in a unit sphere whose surface is brought to zero at once."""
    n = np.arange(1, terms + 1)
    decay = np.exp(-((n * np.pi) ** 2) * fourier)
    at_r = [2.0 / (np.pi * x) * np.sum((-1.0) ** (n + 1) / n * np.sin(n * np.pi * x) * decay) for x in r]
    return np.array(at_r), float(6.0 / np.pi**2 * np.sum(decay / n**2))


def cooled_surface(r: np.ndarray, fourier: float, biot: float, terms: int = 200) -> tuple[np.ndarray, float]:
    """The same with the surface losing heat through a film: roots of z cot z = 1 - Bi."""
    roots = [
        brentq(lambda z: z * np.cos(z) - (1.0 - biot) * np.sin(z), k * np.pi + 1e-9, (k + 1) * np.pi - 1e-9)
        for k in range(terms)
    ]
    z = np.array(roots)
    c = 4.0 * (np.sin(z) - z * np.cos(z)) / (2.0 * z - np.sin(2.0 * z)) * np.exp(-(z**2) * fourier)
    at_r = [float(np.sum(c * np.sin(z * x) / (z * x))) for x in r]
    return np.array(at_r), float(np.sum(c * 3.0 * (np.sin(z) - z * np.cos(z)) / z**3))


def test_series_are_their_own_limits() -> None:
    r = np.array([0.1, 0.5, 0.9])
    assert held_surface(r, 1e-6)[0] == pytest.approx(np.ones(3), abs=2e-3)
    assert held_surface(r, 0.3)[0] == pytest.approx(cooled_surface(r, 0.3, 1e5)[0], rel=1e-3)
    # a small Biot number cools evenly at 3 Bi
    assert cooled_surface(r, 2.0, 0.01)[1] == pytest.approx(np.exp(-3.0 * 0.01 * 2.0), rel=1e-3)


def solid_heap(cover_m2k_w: float, wind_m_s: float) -> Plant:
    """A heap that only conducts: no life, no air, no drum or coil exchange, insulated base, even water content."""
    heap = plant({"drum.volume": "1 L", "coil.skin_mass": "10 kg"})
    y, p = heap.state, heap.params
    lifeless(heap)
    volume = p[shells(at.P_SHELL_VOLUME)]
    p[shells(at.P_SHELL_SOLIDS)], y[shells(at.Y_WATER)] = 228.0 * volume, 342.0 * volume
    p[at.P_PERMEABILITY] = p[at.P_SKIN_UA] = p[at.P_DRUM_UA] = 0.0
    p[at.P_BASE_R], p[at.P_COVER_R] = 1e12, cover_m2k_w
    set_pile_c(heap, START_C)
    return steady_weather(heap, out_c=OUTSIDE_C, wind_m_s=wind_m_s)


def conductivity_w_mk(heap: Plant) -> float:
    p = heap.params
    return float(p[at.P_K_DRY] + p[at.P_K_WET] * 0.342)  # water is 0.342 of the volume


def fourier_number(heap: Plant, days: float) -> float:
    capacity = shell_capacity_j_k(heap).sum() / heap.params[shells(at.P_SHELL_VOLUME)].sum()
    return conductivity_w_mk(heap) / capacity * days * DAY_S / heap.params[at.P_RADIUS] ** 2


def excess(heap: Plant) -> tuple[np.ndarray, float]:
    """Relative excess temperature of each shell, and of the whole heap."""
    shells_now = (heap.shell_temperatures_c() - OUTSIDE_C) / (START_C - OUTSIDE_C)
    capacity = shell_capacity_j_k(heap)
    return shells_now, float(shells_now @ capacity / capacity.sum())


def relative_middles(heap: Plant) -> np.ndarray:
    radii = shell_radii_m(heap.scenario)
    return middle_radii_m(radii) / radii[-1]


@pytest.mark.parametrize("days", [5.0, 15.0, 30.0])
def test_heap_with_a_held_surface_cools_as_the_series_says(days: float) -> None:
    heap = solid_heap(0.0, wind_m_s=1e7)  # such a wind holds the surface at the air's temperature
    heap.advance(days * DAY_S)
    ours, mean = excess(heap)
    series, series_mean = held_surface(relative_middles(heap), fourier_number(heap, days))
    # Ten shells: the grid is off by up to 0.6 % of the first excess in a shell and 0.3 % in the heat left.
    assert ours == pytest.approx(series, abs=0.007)
    assert mean == pytest.approx(series_mean, abs=0.003)
    assert 0.1 < mean < 0.75  # the heap is neither still hot nor already cold


@pytest.mark.parametrize(("cover_m2k_w", "wind_m_s"), [(0.3, 3.0), (2.0, 0.0)])
def test_covered_heap_cools_as_the_series_with_a_film_says(cover_m2k_w: float, wind_m_s: float) -> None:
    heap = solid_heap(cover_m2k_w, wind_m_s)
    heap.advance(25.0 * DAY_S)
    heap.advance(25.0 * DAY_S)
    kelvin = OUTSIDE_C + 273.15
    film = (
        5.7 + 3.8 * wind_m_s + 4.0 * 0.9 * 5.670374e-8 * kelvin**3
    )  # McAdams' film and radiation to a sky as warm as air
    biot = heap.params[at.P_RADIUS] / conductivity_w_mk(heap) / (cover_m2k_w + 1.0 / film)
    ours, mean = excess(heap)
    series, series_mean = cooled_surface(relative_middles(heap), fourier_number(heap, 50.0), biot)
    assert ours == pytest.approx(series, abs=0.007)
    assert mean == pytest.approx(series_mean, abs=0.003)
    assert heap.truth.surface_c == pytest.approx(
        OUTSIDE_C + surface_flux_w_m2(heap) / film, abs=0.05
    )  # what leaves the surface leaves through the film


def surface_flux_w_m2(heap: Plant) -> float:
    before = heap.ledger[at.L_SURFACE]
    heap.advance(60.0)
    return float(heap.ledger[at.L_SURFACE] - before) / 60.0 / heap.params[at.P_SURFACE_AREA]


@pytest.mark.pure
@pytest.mark.parametrize("wind_m_s", [0.0, 2.0, 8.0])
def test_bare_surface_meets_the_air_by_mcadams_film_and_the_sky_by_radiation(wind_m_s: float) -> None:
    # h = 5.7 + 3.8 v (McAdams 1954, flat plate; from memory); sol-air temperature as in ASHRAE Fundamentals (from memory)
    heap = solid_heap(0.0, wind_m_s)
    w = np.zeros(W_SIZE)
    w[W_OUT_C], w[W_SKY_C], w[W_WIND], w[W_GHI] = 10.0, -10.0, wind_m_s, 400.0
    conductance, sol_air_c, outside = surface_exchange(w, heap.params, 1e9)  # the heap itself no longer resists
    film, radiative = 5.7 + 3.8 * wind_m_s, 0.9 * 5.670374e-8 * 4.0 * 273.15**3
    assert outside == pytest.approx(film + radiative, rel=1e-4)
    assert conductance == pytest.approx(outside * 2.0 * np.pi * heap.params[at.P_RADIUS] ** 2, rel=1e-6)
    assert sol_air_c == pytest.approx((film * 10.0 - radiative * 10.0 + 0.8 * 0.5 * 400.0) / outside, rel=1e-3)


def test_heap_loses_only_through_its_surface() -> None:
    heap = solid_heap(0.3, 3.0)
    capacity = shell_capacity_j_k(heap)
    before = capacity @ heap.shell_temperatures_c()
    heap.advance(20.0 * DAY_S)
    assert before - capacity @ heap.shell_temperatures_c() == pytest.approx(heap.ledger[at.L_SURFACE], rel=1e-9)
