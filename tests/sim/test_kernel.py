"""The stepping kernel against a general solver on the same equations, assembled independently (`sim.rhs`)."""

from __future__ import annotations

import importlib.util
import sys
from functools import cache
from pathlib import Path
from types import ModuleType

import pytest

BENCH = Path(__file__).parents[2] / "bench" / "physics_speed.py"


@cache
def bench() -> ModuleType:
    spec = importlib.util.spec_from_file_location("physics_speed", BENCH)
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


@cache
def reference():
    return bench().run_scipy(bench().schedule(1), "LSODA", 1e-9)


def shell_error_k(step_s: float) -> float:
    return float(bench().errors(bench().run_kernel(bench().schedule(1), step_s), reference())[0])


def test_minute_steps_are_within_two_hundredths_of_a_kelvin() -> None:
    assert shell_error_k(60.0) < 0.02


def test_error_shrinks_with_the_step() -> None:
    # first order in the step where duties switch, so a sixth of the step leaves well under half of the error
    assert shell_error_k(10.0) < 0.5 * shell_error_k(60.0)


def test_solids_turned_into_heat_agree() -> None:
    ours = bench().run_kernel(bench().schedule(1))
    assert ours.degraded_kg == pytest.approx(reference().degraded_kg, rel=2e-4)
    assert ours.degraded_kg > 1.0


def test_the_solvers_themselves_agree() -> None:
    other = bench().run_scipy(bench().schedule(1), "BDF", 1e-7)
    assert bench().errors(other, reference())[0] < 1e-3
