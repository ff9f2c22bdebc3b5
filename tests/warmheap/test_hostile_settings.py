"""Every field of the settings file and of a scenario, given what does not belong there: taken as meant, or one line."""

import json
import tomllib
from dataclasses import fields
from math import isfinite
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller import ControllerSettings
from sim.scenario import Scenario, ScenarioError, field_table
from warmheap.cli import build_parser, main
from warmheap.errors import UsageError
from warmheap.settings_file import SettingsFileError, parse
from warmheap.settings_table import KEYS
from warmheap.units import KINDS

ROOT = Path(__file__).parents[2]
MILD = ROOT / "scenarios" / "mild-wet-winter.toml"
LONGEST_LINE = 500
BOUNDS = {f.name: f.metadata for f in fields(ControllerSettings)}
UNITS = sorted(
    {unit for _, _, units in KINDS.values() for unit in units} | {"degC", "degF", "furlong", "", "кг", "°", "%%"}
)
NUMBERS = [
    "0", "-0", "1", "-1", "1e9", "-1e9", "1e400", "-1e400", "1e-400", "nan", "inf", "-inf", "1" + "0" * 400, "0x1f",
    "1_000", "1,5", "1.5.5", "٤٥", "४५", "４５", "½", "−5", "1e", "--1", "",
]  # fmt: skip
ODD = [
    "true",
    "[]",
    "{}",
    "[[[]]]",
    "{ a = 1 }",
    "1979-05-27",
    "07:32:00",
    '""',
    "'\u202e'",
    "[1, 'a']",
    "0",
    "-1",
    "1.5",
]
numbers = st.one_of(
    st.sampled_from(NUMBERS),
    st.floats().map(repr),
    st.integers(-(10**400), 10**400).map(str),
    st.text(alphabet="0123456789.eE+-", max_size=12),
)
gaps = st.sampled_from(["", " ", "\t", "\u00a0"])
quantities = st.builds(lambda n, gap, unit: n + gap + unit, numbers, gaps, st.sampled_from(UNITS))
texts = st.one_of(
    quantities, st.text(max_size=40), st.sampled_from(["x" * 5000, "\x00", "\x1b[2J", "a\nb", "warmheap"])
)
bare = st.one_of(
    st.sampled_from(ODD), st.floats().map(lambda f: repr(f)), st.integers().map(str), st.sampled_from(NUMBERS)
)
written = st.one_of(texts.map(json.dumps), texts.map(lambda t: json.dumps([t])), bare)  # a JSON text is a TOML text


def one_line(wrong):
    line = str(wrong)
    assert line and line.isprintable() and len(line) <= LONGEST_LINE, line
    return line


def try_setting(key, value):
    """Give one key one value; True when it was taken."""
    pins = "pin = 5\n" if key.table in ("flow_meter", "tachometer") and key.name != "pin" else ""
    text = f"[{key.table}]\n{pins}{key.name} = {value}\n"
    try:
        found = parse(text)
    except SettingsFileError as wrong:
        line = one_line(wrong)
        assert line.startswith("settings")
        assert "not valid TOML" in line or any(word in line for word in (key.path, key.table, "pin", "probe"))
        return False
    for name, bounds in BOUNDS.items():
        taken = getattr(found.controller, name)
        if isinstance(taken, float):
            assert isfinite(taken) and bounds["low"] <= taken <= bounds["high"], (name, taken)
    return True


def try_field(table, name, value):
    """Give one field of a scenario one value; True when it was taken."""
    tables = {"place": '[place]\nweather = "pvlib:723170TYA.CSV"\nstart = "11-15"\n'}
    text = f"{name} = {value}\n" if not table else ""
    text += "".join(f'{n} = "a"\n' for n in ("title",) if n != name or table)
    text += "" if name == "invented" and not table else "invented = true\n"
    for other, inner in (tables | {table: tables.get(table, f"[{table}]\n")}).items():
        lines = [line for line in inner.splitlines() if other != table or not line.startswith(f"{name} =")]
        text += "\n".join(lines) + "\n" + (f"{name} = {value}\n" if other == table and table else "")
    try:
        Scenario.from_toml(text)
    except ScenarioError as wrong:
        line = one_line(wrong)
        assert name in line or "not valid TOML" in line or "does not suit" in line, line
        return False
    return True


@given(st.sampled_from(KEYS), written)
@settings(max_examples=400, deadline=None)
def test_a_key_takes_a_value_within_its_bounds_or_says_in_one_line_what_is_wrong(key, value):
    try_setting(key, value)


@given(st.sampled_from(field_table()), written)
@settings(max_examples=300, deadline=None)
def test_a_field_of_a_scenario_takes_a_value_or_says_in_one_line_what_is_wrong(field, value):
    try_field(field[0], field[1], value)


@pytest.mark.parametrize("key", KEYS, ids=lambda k: k.path)
def test_every_key_refuses_or_takes_each_of_the_worst(key):
    for value in [*ODD, *(json.dumps(n) for n in NUMBERS)]:
        taken = try_setting(key, value)
        if key.bounds and key.kind not in ("text",) and value in ("[]", "{}", "true", '""', '"nan"', '"1e400"'):
            assert not taken, f"{key.path} = {value} was taken"


@pytest.mark.parametrize("digits", ["٤٥", "४५", "４５"])
def test_digits_of_other_scripts_are_refused_not_guessed(digits):
    for text in (f"[pile]\nfloor = '{digits} degC'", f"[pump]\npwm = '{digits}/1'", f"[page]\nlisten = 'a:{digits}'"):
        with pytest.raises(SettingsFileError):
            parse(text)


def test_a_number_of_thousands_of_digits_is_a_mistake_like_any_other():
    for digits in (400, 5000):
        with pytest.raises(SettingsFileError, match="pile.floor|not valid TOML"):
            parse("[pile]\nfloor = 1" + "0" * digits)


def test_a_whole_table_in_the_place_of_another_is_told():
    for text in ("pump = 1", "[[pump]]\npin = 1", "pump = []", "[pump.pin]\na = 1"):
        assert isinstance(tomllib.loads(text), dict)
        with pytest.raises(SettingsFileError) as wrong:
            parse(text)
        one_line(wrong.value)


# --- options


def options():
    """Every option that takes a value, by the words that lead to it."""

    def below(parser, words):
        for action in parser._actions:
            if (
                getattr(action, "choices", None)
                and isinstance(action.choices, dict)
                and action.dest in ("verb", "kind")
            ):
                for name, inner in action.choices.items():
                    yield from below(inner, [*words, name])
            elif action.option_strings and action.nargs is None:
                yield words, action.option_strings[-1]

    return sorted(below(build_parser(), []))


@pytest.mark.parametrize(("words", "option"), options(), ids=lambda v: v if isinstance(v, str) else "-".join(v))
def test_no_option_makes_the_parser_raise_anything_else(words, option):
    parser = build_parser()
    for value in [*NUMBERS, "x" * 3000, "\x00", "\udcff"]:
        try:
            parser.parse_known_args([*words, f"{option}={value}"])
        except UsageError as wrong:
            assert str(wrong)


@pytest.mark.parametrize(("words", "option"), options(), ids=lambda v: v if isinstance(v, str) else "-".join(v))
def test_two_dashes_are_no_value(capsys, words, option):
    assert main([*words, f"{option}=--"]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["plan", MILD, "--days", "1", "--efficiency", "nan"], "efficiency"),
        (["plan", MILD, "--days", "1", "--efficiency", "1e400"], "efficiency"),
        (["plan", MILD, "--days", "1", "--price", "nan"], "price"),
        (["plan", MILD, "--days", "1", "--price=-2"], "price"),
        (["plan", MILD, "--days", "1", "--recipe", "straw=nan"], "straw"),
        (["plan", MILD, "--days", "1", "--recipe", "=" * 50], "recipe"),
        (["plan", MILD, "--days", "1", "--start", "02-30"], "start"),
        (["report", "none", "--fuel", "oil", "--price", "1e400", "--price-date", "2026-01-01"], "price"),
        (["report", "none", "--probe-accuracy", ""], "--probe-accuracy"),
        (["run", "--plant", MILD, "--seed=-1"], "seed"),
        (["campaign", "seasons", MILD, "--seasons", "9" * 500, "--out", "c.sqlite"], "seasons"),
    ],
)
def test_numbers_that_mean_nothing_are_named(capsys, monkeypatch, tmp_path, words, told):
    monkeypatch.chdir(tmp_path)
    assert main([str(word) for word in words]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 1 and told in lines[0]
    assert list(tmp_path.iterdir()) == []
