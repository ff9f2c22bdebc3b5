"""The rig starts whole computers: only `make test-kernel` (which sets WARMHEAP_KERNEL_RIG) collects its tests."""

import os
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
collect_ignore_glob = [] if os.environ.get("WARMHEAP_KERNEL_RIG") else ["test_*.py"]
SPENT_S: dict[str, float] = {}
TABLE: list[str] = []


def times(name: str, usual: int) -> int:
    """How often or how long, from the environment."""
    return int(os.environ.get(f"WARMHEAP_RIG_{name}", usual))


def spent(what: str, work):
    """Do ``work`` and note the seconds it took."""
    began_s = time.monotonic()
    try:
        return work()
    finally:
        SPENT_S[what] = time.monotonic() - began_s


@pytest.fixture(scope="session")
def built():
    from rig_build import OUT, build

    spent("building", build)
    return OUT


@pytest.fixture(scope="session")
def beside(built):
    """One guest measures lines and probes and one beside it has its power cut; then one lives for two days.

    No more than there are cores: on an overloaded machine the log falls behind, and edges of the PWM come late.
    """
    from rig_cuts import power_cuts
    from rig_day import HOURS, SEED, rig_run, told
    from rig_guest import run_guest
    from rig_runs import cut_table

    with ThreadPoolExecutor(2) as both:
        cuts = both.submit(lambda: spent("power cuts", lambda: power_cuts(times("CUTS", 100))))
        measured = both.submit(lambda: spent("measuring", lambda: run_guest("tests/kernel/guest/measure.py", core=1)))
    lived = spent("day and night", lambda: rig_run(times("HOURS", HOURS), SEED))
    TABLE.extend([*cut_table(cuts.result()), *told(lived)])
    return measured.result(), cuts.result(), lived


@pytest.fixture(scope="session")
def measured(beside):
    return beside[0]


@pytest.fixture(scope="session")
def cuts(beside):
    return beside[1]


@pytest.fixture(scope="session")
def lived(beside):
    return beside[2]


@pytest.fixture(scope="session")
def injected(built):
    from rig_runs import inject, injection_table

    found = spent("injections", lambda: inject(times("PROGRAM", 1), times("FORKED", 25)))
    TABLE.extend(injection_table(found))
    return found


def pytest_terminal_summary(terminalreporter):
    for line in [*TABLE, ", ".join(f"{what} {seconds:.0f} s" for what, seconds in SPENT_S.items())]:
        terminalreporter.write_line(line)
