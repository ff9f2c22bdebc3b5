"""What a board installs and loads: nothing of the simulator."""

import re
import subprocess
import sys
import tomllib
from importlib.metadata import PackageNotFoundError, requires
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
HEAVY = {"numba", "llvmlite", "scipy", "pvlib", "pandas", "matplotlib", "pydantic", "pint", "rich", "h5py"}


def name_of(requirement):
    return re.split(r"[\s<>=!~;\[(]", requirement, maxsplit=1)[0].lower().replace("_", "-")


def pulled(wanted):
    """Everything that ``wanted`` pulls, by the metadata of the packages that are installed here."""
    found, waiting = set(), [name_of(r) for r in wanted]
    while waiting:
        name = waiting.pop()
        if name in found:
            continue
        found.add(name)
        try:
            needs = requires(name) or []
        except PackageNotFoundError:  # of another platform
            needs = []
        waiting += [name_of(r) for r in needs if "extra ==" not in r]
    return found


@pytest.mark.parametrize("extra", ["board", "mqtt"])
def test_an_install_on_the_board_pulls_nothing_heavy(extra):
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    found = pulled(project["dependencies"] + project["optional-dependencies"][extra])
    assert not found & HEAVY
    assert {"numpy", "simple-pid"} <= found and len(found) <= 8, found


@pytest.mark.parametrize("verb", ["check", "check_live", "check_front", "run", "commission_live"])
def test_what_runs_on_the_board_loads_nothing_heavy(verb):
    code = f"import sys, warmheap.{verb}; print(*sorted({{m.split('.')[0] for m in sys.modules}}))"
    out = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    assert not set(out.split()) & (HEAVY | {"sim"})
    assert "warmheap" in out
