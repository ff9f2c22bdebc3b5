"""Rules of the house that no linter of the registry knows."""

import ast
import os
import re
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGES = ("controller", "sim", "hardware", "warmheap")
SOURCES = sorted(p for package in PACKAGES for p in (ROOT / package).rglob("*.py"))
TESTS = sorted((ROOT / "tests").rglob("test_*.py"))
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
LONGEST_FUNCTION = 50
UNITS = (
    "c k s h w j kg m3 m2 m v a hz pa days hour hours kwh rh duty soc kg_s kg_m3 m3_s m_s w_k w_m2 w_m2_k w_m_k"
    " j_k j_kg j_kg_k kelvin seconds k2s"
).split()
UNITLESS = (  # shares and ratios; figures of a map, in the units that everybody uses
    "moisture humidity_max co2_max pile_o2 greenhouse_co2 low high step need saved factor activity per_diameter"
    " latitude longitude altitude tz gain"
).split()


def names(paths):
    return [str(p.relative_to(ROOT)) for p in paths]


def tree(path):
    return ast.parse(path.read_text(encoding="utf-8"))


def functions(node):
    return [n for n in ast.walk(node) if isinstance(n, (ast.FunctionDef, ast.AsyncFunctionDef))]


def asserts(function):
    """Whether a test checks anything: an assert, or a context manager or helper that does."""
    for n in ast.walk(function):
        if isinstance(n, ast.Assert):
            return True
        if isinstance(n, ast.Call):
            called = ast.unparse(n.func)
            if called.split(".")[-1].startswith(("assert_", "raises", "refused", "check_")):
                return True
    return False


@pytest.mark.parametrize("path", TESTS, ids=names(TESTS))
def test_no_test_without_an_assertion(path):
    helpers = {f.name for f in functions(tree(path)) if not f.name.startswith("test_") and asserts(f)}
    for function in functions(tree(path)):
        if function.name.startswith("test_") and not asserts(function):
            called = {ast.unparse(n.func) for n in ast.walk(function) if isinstance(n, ast.Call)}
            assert called & helpers, f"{function.name} asserts nothing"


@pytest.mark.parametrize("path", SOURCES, ids=names(SOURCES))
def test_functions_are_read_in_one_look(path):
    for function in functions(tree(path)):
        body = function.body[1:] if ast.get_docstring(function) else function.body
        lines = body[-1].end_lineno - body[0].lineno + 1 if body else 0
        assert lines <= LONGEST_FUNCTION, f"{function.name} has {lines} lines"


def float_fields(path):
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.ClassDef) and any("dataclass" in ast.unparse(d) for d in node.decorator_list):
            for item in node.body:
                if isinstance(item, ast.AnnAssign) and ast.unparse(item.annotation) == "float":
                    yield node.name, item.target.id


@pytest.mark.parametrize("path", SOURCES, ids=names(SOURCES))
def test_float_fields_carry_their_unit(path):
    known = re.compile(rf"(^|_)({'|'.join(UNITS)})$|({'|'.join(UNITLESS)})$")
    for owner, name in float_fields(path):
        assert known.search(name), f"{owner}.{name} says no unit"


def top_level_imports(path):
    for node in tree(path).body:
        if isinstance(node, ast.Import):
            yield from (alias.name.split(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and not node.level:
            yield node.module.split(".")[0]


def imports(path):
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            yield from (alias.name.split(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and not node.level:
            yield node.module.split(".")[0]


def declared(*extras):
    wanted = list(PROJECT["project"]["dependencies"])
    for extra in extras:
        wanted += PROJECT["project"]["optional-dependencies"][extra]
    return {re.split(r"[<>=]", w)[0].lower().replace("-", "_") for w in wanted}


def foreign(package, how=imports):
    found = {name for path in (ROOT / package).rglob("*.py") for name in how(path)}
    return {name for name in found if name not in sys.stdlib_module_names and name not in PACKAGES}


def test_the_controller_imports_numpy_and_simple_pid_at_most():
    assert foreign("controller") <= {"numpy", "simple_pid"}


def test_the_controller_reads_no_clock_no_file_and_no_dice():
    found = {name for path in (ROOT / "controller").rglob("*.py") for name in imports(path)}
    impure = "time datetime random secrets os io pathlib logging socket threading"
    assert not found & set(impure.split())


def test_what_the_simulator_imports_is_declared():
    come_along = {"pandas", "pydantic_core"}  # with pvlib, with pydantic
    assert {name.lower() for name in foreign("sim")} - come_along <= declared("sim")


def test_the_front_door_loads_nothing_heavy():
    light = [p for p in (ROOT / "warmheap").rglob("*.py") if p.name not in ("tables.py",)]
    found = {name for path in light for name in top_level_imports(path)}
    assert not found & {
        "sim",
        "gpiozero",
        "lgpio",
        "rich",
        "matplotlib",
        "pydantic",
        "pint",
        "pandas",
        "numba",
        "scipy",
    }


def test_lower_bounds_are_given_for_every_package():
    project = PROJECT["project"]
    for wanted in project["dependencies"] + sum(project["optional-dependencies"].values(), []):
        assert re.fullmatch(r"[\w-]+>=\d+(\.\d+)+", wanted), wanted


def test_ci_runs_the_tests_and_the_linters():
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert os.access(ROOT / ".ci" / "run", os.X_OK)
    assert "set -euo pipefail" in script
    assert re.search(r"^make test$", script, re.M) and re.search(r"^make lint$", script, re.M)


def makefile_targets():
    text = (ROOT / "Makefile").read_text(encoding="utf-8")
    return set(re.findall(r"^([a-z-]+):", text, re.M))


def test_make_has_what_the_readme_promises():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert set(re.findall(r"^(?:.*`)?make ([a-z-]+)", readme, re.M)) <= makefile_targets()
    assert {"demo", "test", "lint", "bench", "clean"} <= makefile_targets()


def test_files_that_the_documents_point_to_exist():
    for document in ("README.md", "DEVELOPERS.md", "CHANGELOG.md"):
        text = (ROOT / document).read_text(encoding="utf-8")
        for target in re.findall(r"\]\((?!http|#)([^)]+)\)", text):
            assert (ROOT / target).exists(), f"{document} points to {target}"


def test_no_machine_paths_in_files():
    texts = SOURCES + sorted((ROOT / "scenarios").glob("*.toml")) + sorted(ROOT.glob("*.md"))
    for path in texts:
        found = re.search(r"/(work|root|home|tmp)/", path.read_text(encoding="utf-8"))
        assert not found, f"{path.name} names {found}"


@pytest.mark.parametrize("path", sorted((ROOT / "scenarios").glob("*.toml")), ids=lambda p: p.stem)
def test_scenarios_say_whether_they_are_invented(path):
    assert tomllib.loads(path.read_text(encoding="utf-8"))["invented"] is True
