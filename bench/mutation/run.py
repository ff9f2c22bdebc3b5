"""Runs the tests on one mutant at a time, in a copy of the tree, each in a forked child that has pytest loaded already."""

from __future__ import annotations

import contextlib
import importlib
import importlib.util
import json
import os
import resource
import shutil
import signal
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

PARTS = ("controller", "sim", "hardware", "warmheap", "tests", "scenarios", "examples", "pyproject.toml", "README.md")
LOADED_BEFORE = ("numpy", "simple_pid", "hypothesis", "hypothesis.stateful", "pytest", "coverage", "pytest_cov.plugin")
PLAIN = ("-q", "-x", "--noconftest", "-p", "no:randomly", "-p", "no:cacheprovider", "--hypothesis-seed=0", "--tb=no")
# too slow to be asked for every mutant
SLOW = (
    "test_alarms_isa.py::test_no_condition_at_any_rate_comes_up_more_than_four_times_an_hour",
    "test_alarms_isa.py::test_a_cut_load_is_told_from_a_dry_pump_by_the_missing_sag",
    "test_controller.py::test_any_floats_at_any_times_with_any_acts_give_sound_decisions",
    "test_controller.py::test_any_readings_at_any_pace_give_a_sound_decision",
    "test_phases.py::TestCutSeason",
)
POLL_S = 0.02
CPU_SPARE_S, WALL_SHARE = 20.0, 12.0


def load_before() -> None:
    """Load what every child needs, but nothing of ours. A busy machine must not look like a mutant found."""
    for name in LOADED_BEFORE:
        importlib.import_module(name)
    patient = importlib.import_module("hypothesis").settings
    patient.register_profile("patient", deadline=None)
    patient.load_profile("patient")


def copy_tree(root: Path, into: Path) -> None:
    """Lay out the tree to be spoilt."""
    shutil.rmtree(into, ignore_errors=True)
    into.mkdir(parents=True)
    for part in PARTS:
        if (root / part).is_dir():
            shutil.copytree(root / part, into / part, ignore=shutil.ignore_patterns("__pycache__"))
        elif (root / part).exists():
            shutil.copy2(root / part, into / part)


class Chooser:
    """A pytest plugin: keeps the wanted tests, in the wanted order, and notes times and the first that failed."""

    def __init__(self, place: dict[str, int] | None) -> None:
        self.place = place
        self.times_s: dict[str, float] = {}
        self.failed = ""
        self.ran = 0

    def pytest_collection_modifyitems(self, items: list[Any]) -> None:
        """Keep and sort."""
        place = self.place
        if place is not None:
            items[:] = sorted((i for i in items if i.nodeid in place), key=lambda i: place[i.nodeid])

    def pytest_runtest_logreport(self, report: Any) -> None:
        """Note."""
        self.times_s[report.nodeid] = self.times_s.get(report.nodeid, 0.0) + report.duration
        self.ran += report.when == "call"
        if report.failed and not self.failed:
            self.failed = report.nodeid

    def pytest_collectreport(self, report: Any) -> None:
        """A file that cannot even be loaded fails."""
        if report.failed and not self.failed:
            self.failed = report.nodeid or "collection"


@dataclass(frozen=True, slots=True)
class Ran:
    """How a run of the tests ended: pytest's exit code (None: stopped by a limit), the first failure, times by test."""

    code: int | None
    failed: str = ""
    ran: int = 0
    times_s: dict[str, float] = field(default_factory=dict)


def run_tests(tree: Path, args: Sequence[str], place: dict[str, int] | None, cpu_s: float, writes: bool = False) -> Ran:
    """Run pytest on ``tree`` in a child with a limit of processor time [s]; ``place``: which tests, in which order."""
    answer = tree / "answer.json"
    answer.unlink(missing_ok=True)
    sys.stdout.flush()
    child = os.fork()
    if not child:
        _be_child(tree, list(args), place, cpu_s, answer, writes)
    code = _waited(child, cpu_s * WALL_SHARE)
    if code is None or not answer.exists():
        return Ran(None)
    return Ran(**json.loads(answer.read_text()))


def _be_child(
    tree: Path, args: list[str], place: dict[str, int] | None, cpu_s: float, answer: Path, writes: bool
) -> None:
    """Never returns."""
    code = 70
    try:
        os.chdir(tree)
        log = os.open("child.log", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(log, 1)
        os.dup2(log, 2)
        resource.setrlimit(resource.RLIMIT_CPU, (int(cpu_s) + 1, int(cpu_s) + 5))
        sys.dont_write_bytecode = not writes
        sys.path.insert(0, str(tree))
        pytest = importlib.import_module("pytest")
        chooser = Chooser(place)
        code = int(pytest.main(args, plugins=[chooser]))
        controller = sys.modules.get("controller")
        if controller is not None and not str(controller.__file__).startswith(str(tree)):
            raise RuntimeError(f"tests ran on {controller.__file__}")
        answer.write_text(
            json.dumps({"code": code, "failed": chooser.failed, "ran": chooser.ran, "times_s": chooser.times_s})
        )
    finally:
        sys.stdout.flush()
        os._exit(code)


def _waited(child: int, longest_s: float) -> int | None:
    """The exit code of a child; None when it was stopped by a limit."""
    ends_s = time.monotonic() + longest_s
    try:
        while time.monotonic() < ends_s:
            done, status = os.waitpid(child, os.WNOHANG)
            if done:
                return os.waitstatus_to_exitcode(status) if os.WIFEXITED(status) else None
            time.sleep(POLL_S)
    except BaseException:
        _stop(child)
        raise
    _stop(child)
    return None


def _stop(child: int) -> None:
    with contextlib.suppress(ProcessLookupError, ChildProcessError):
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)


@dataclass(frozen=True, slots=True)
class Map:
    """Which tests reach which lines of which files, and how long each test takes [s]."""

    reach: dict[str, dict[int, list[str]]]
    times_s: dict[str, float]

    def tests(self, path: str, line: int, first: Sequence[str]) -> list[str]:
        """The tests to try on a line: those of the files named ``first``, then the quick ones before the slow ones.

        A line that runs only when its file is loaded (a constant) is tried by every test that reaches the file, and by
        all of the files named ``first``.
        """
        lines = self.reach.get(path, {})
        found = set(lines.get(line, ()))
        if not found:
            found = {test for tests in lines.values() for test in tests}
            found |= {test for test in self.times_s if _file(test) in first}
        return sorted(found, key=lambda t: (_file(t) not in first, self.times_s.get(t, 0.0), t))


def _file(test: str) -> str:
    return Path(test.partition("::")[0]).stem


def mapped(tree: Path, test_files: Sequence[str]) -> Map:
    """Run sound tests once under coverage. ``RuntimeError`` when they fail: then they can tell nothing."""
    cover = ("--cov=controller", "--cov-context=test", "--cov-report=")
    slow = [f"--deselect=tests/controller/{test}" for test in SLOW]
    ran = run_tests(tree, (*PLAIN, *cover, *slow, *test_files), None, 1200.0, writes=True)
    if ran.code != 0:
        raise RuntimeError(f"the tests fail without any mutant: {ran.failed or 'see ' + str(tree / 'child.log')}")
    data = importlib.import_module("coverage").CoverageData(str(tree / ".coverage"))
    data.read()
    reach: dict[str, dict[int, list[str]]] = {}
    for name in data.measured_files():
        lines = {
            line: sorted({c.partition("|")[0] for c in contexts if c})
            for line, contexts in data.contexts_by_lineno(name).items()
        }
        reach[str(Path(name).relative_to(tree))] = {line: tests for line, tests in lines.items() if tests}
    return Map(reach, ran.times_s)


def compiled(tree: Path, test_files: Sequence[str]) -> None:
    """Load everything once, so that no child need compile what has not changed."""
    run_tests(tree, (*PLAIN, "--collect-only", *test_files), None, 600.0, writes=True)


def joined(parts: Sequence[Map]) -> Map:
    """One map of several."""
    reach: dict[str, dict[int, list[str]]] = {}
    times_s: dict[str, float] = {}
    for part in parts:
        times_s |= part.times_s
        for path, lines in part.reach.items():
            for line, tests in lines.items():
                reach.setdefault(path, {}).setdefault(line, []).extend(tests)
    return Map(reach, times_s)


def part_of(whole: Map, test_file: str) -> Map:
    """What one file of tests reaches."""
    mine = f"{test_file}::"
    reach = {
        path: {line: kept for line, tests in lines.items() if (kept := [t for t in tests if t.startswith(mine)])}
        for path, lines in whole.reach.items()
    }
    return Map(reach, {t: s for t, s in whole.times_s.items() if t.startswith(mine)})


def tried(tree: Path, path: str, spoilt: str, tests: Sequence[str], times_s: dict[str, float], first: set[str]) -> Ran:
    """Put ``spoilt`` in the place of ``path`` and run ``tests`` until one fails; the file is put back."""
    target = tree / path
    sound = target.read_text(encoding="utf-8")
    cached = importlib.util.cache_from_source(str(target))
    Path(cached).unlink(missing_ok=True)
    target.write_text(spoilt, encoding="utf-8")
    try:
        ran = Ran(0)
        for stage in (
            [t for t in tests if _file(t) in first],
            [t for t in tests if _file(t) not in first],
        ):
            if not stage:
                continue
            limit_s = CPU_SPARE_S + 4.0 * sum(times_s.get(t, 1.0) for t in stage)
            files = sorted({t.partition("::")[0] for t in stage})
            ran = run_tests(tree, (*PLAIN, *files), {t: i for i, t in enumerate(stage)}, limit_s)
            if ran.code != 0:
                return ran
            if ran.ran < len(stage):
                raise RuntimeError(f"{len(stage) - ran.ran} tests of {files} did not run")
        return ran
    finally:
        target.write_text(sound, encoding="utf-8")
