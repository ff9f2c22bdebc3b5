"""Every season that our controller runs in a test is watched by the rules of `sim.rules`."""

from __future__ import annotations

import importlib

import pytest

SIMULATED = {"sim", "controller", "warmheap"}


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "breaks(*codes): rules that this test's season breaks on purpose")


@pytest.fixture(autouse=True)
def rules_are_kept(request, monkeypatch):
    if request.path.parent.name not in SIMULATED:
        yield
        return
    season = importlib.import_module("sim.season")
    seen = []
    monkeypatch.setattr(season, "judged", seen.append)
    yield
    marker = request.node.get_closest_marker("breaks")
    allowed = set(marker.args if marker else ())
    broken = [b for result in seen for b in result.breaks if b.code not in allowed]
    assert not broken, f"rules broken: {broken}"
