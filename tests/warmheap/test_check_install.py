"""What a board installs and loads: nothing of the simulator."""

import subprocess
import sys
import tomllib
from contextlib import suppress
from importlib.metadata import PackageNotFoundError, requires
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[2]
HEAVY = {"numba", "llvmlite", "scipy", "pvlib", "pandas", "matplotlib", "pydantic", "pint", "rich", "h5py"}


def pulled(wanted):
    """Everything that ``wanted`` pulls here, by the metadata of the packages that are installed."""
    found, waiting = set(), [Requirement(text) for text in wanted]
    while waiting:
        requirement = waiting.pop()
        name = canonicalize_name(requirement.name)
        if name in found or (requirement.marker and not requirement.marker.evaluate({"extra": ""})):
            continue
        found.add(name)
        with suppress(PackageNotFoundError):
            waiting += [Requirement(text) for text in requires(name) or []]
    return found


@pytest.mark.parametrize("extra", ["board", "mqtt"])
def test_an_install_on_the_board_pulls_nothing_heavy(extra):
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    found = pulled(project["dependencies"] + project["optional-dependencies"][extra])
    assert not found & HEAVY
    assert {"numpy", "simple-pid"} <= found and len(found) <= 6, found


@pytest.mark.parametrize("verb", ["check", "check_live", "check_front", "run", "commission_live"])
def test_what_runs_on_the_board_loads_nothing_heavy(verb):
    code = f"import sys, warmheap.{verb}; print(*sorted({{m.split('.')[0] for m in sys.modules}}))"
    out = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    assert not set(out.split()) & (HEAVY | {"sim"})
    assert "warmheap" in out
