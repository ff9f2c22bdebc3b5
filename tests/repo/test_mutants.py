"""The mutation check itself: what it makes of a source, what it leaves alone, and that its lists are true."""

import ast
import importlib
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TARGETS = tomllib.loads((ROOT / "bench" / "mutation" / "targets.toml").read_text(encoding="utf-8"))["target"]


@pytest.fixture
def make(monkeypatch):
    monkeypatch.syspath_prepend(str(ROOT / "bench"))
    yield importlib.import_module("mutation.make")
    for name in [n for n in sys.modules if n == "mutation" or n.startswith("mutation.")]:
        del sys.modules[name]


def changes(make, text, only=()):
    return {(m.before, m.after) for m in make.mutants_of("a.py", text, only)}


@pytest.mark.parametrize(
    ("line", "after"),
    [
        ("x = a < b", {"x = a <= b", "x = a >= b"}),
        ("x = a >= b", {"x = a > b", "x = a < b"}),
        ("x = a == b", {"x = a != b"}),
        ("x = a in b", {"x = a not in b"}),
        ("x = a and b", {"x = a or b"}),
        ("x = not a", {"x = (a)"}),
        ("x = a - b", {"x = a + b"}),
        ("x += a", {"x -= a"}),
        ("x = 3.0", {"x = 4.5", "x = 2.0"}),
        ("x = 12", {"x = 18", "x = 8"}),
        ("x = True", {"x = False"}),
        ("x = min(a, b)", {"x = max(a, b)"}),
        ("x = 'ä' if a < b else c", {"x = 'ä' if a <= b else c", "x = 'ä' if a >= b else c"}),
        ("x = 'text'", set()),
        ("x: float = nan", set()),
        ("import a", set()),
        ("__slots__ = ('a', 'b')", set()),
    ],
)
def test_each_line_has_its_mutants(make, line, after):
    assert changes(make, line + "\n") == {(line, a) for a in after}


def test_answers_calls_and_settings_are_turned_or_left_out(make):
    text = "def f(self):\n    self.go()\n    self.t_s = 0.0\n    return self.a < 2 and b\n"
    lines = {after for _, after in changes(make, text)}
    assert {"pass", "return not (self.a < 2 and b)", "return self.a < 2 or b", "return self.a < 1 and b"} <= lines


def test_only_what_is_named_is_changed(make):
    text = "A = 1.0\nB = 2.0\ndef f():\n    return a < b\ndef g():\n    return a < b\n"
    found = make.mutants_of("a.py", text, ("B", "g"))
    assert {m.line for m in found} == {2, 6}


@pytest.mark.parametrize("target", TARGETS, ids=lambda t: t["file"])
def test_every_mutant_of_the_guards_is_a_program_and_differs(make, target):
    text = (ROOT / target["file"]).read_text(encoding="utf-8")
    found = make.mutants_of(target["file"], text, tuple(target.get("only", ())))
    assert found
    sound = ast.dump(ast.parse(text))
    for mutant in found[::9]:
        assert ast.dump(ast.parse(mutant.applied(text))) != sound
    for mutant in found:
        assert mutant.before != mutant.after


def test_the_lists_name_what_exists(make):
    everything = set()
    for target in TARGETS:
        text = (ROOT / target["file"]).read_text(encoding="utf-8")
        everything |= {m.key for m in make.mutants_of(target["file"], text, tuple(target.get("only", ())))}
        names = {n.name for n in ast.walk(ast.parse(text)) if isinstance(n, (ast.FunctionDef, ast.ClassDef))}
        names |= {n.id for n in ast.walk(ast.parse(text)) if isinstance(n, ast.Name)}
        assert set(target.get("only", ())) <= names
        assert all((ROOT / "tests" / "controller" / f"{test}.py").exists() for test in target["tests"])
    listed = tomllib.loads((ROOT / "bench" / "mutation" / "equivalent.toml").read_text(encoding="utf-8"))["equivalent"]
    for entry in listed:
        assert f"{entry['file']}|{entry['before']}|{entry['after']}" in everything, entry
        assert len(entry["why"]) > 20
