"""Fuel arithmetic against published energy contents and worked examples."""

from __future__ import annotations

import json
from datetime import date
from math import nan
from pathlib import Path

import pytest
from made_season import decision, ticks

from warmheap.cli import main
from warmheap.errors import UsageError
from warmheap.fuel_choice import FuelSettings, chosen, overridden, read_price
from warmheap.fuels import FUELS
from warmheap.savings import Ledgers, Price, avoided
from warmheap.settings_file import SettingsFileError, parse
from warmheap.settings_store import TwoCopies

MILD = Path(__file__).parents[2] / "scenarios" / "mild-wet-winter.toml"

SEASON_KWH = 4320.0  # 1.5 kW useful for 120 days


def units(kwh: float, fuel: str, efficiency: float) -> float:
    return avoided(kwh, kwh, kwh, fuel, efficiency).units


# EIA contents (propane 91,452 Btu/gal, oil 138,500 or, with at most 15 ppm sulfur, 137,381 Btu/gal, therm 100,000 Btu),
# University of Connecticut for wood.
@pytest.mark.parametrize(
    ("fuel", "efficiency", "useful_kwh", "per_1000"),
    [
        ("propane", 0.65, 17.42, 57.4),
        ("propane", 0.80, 21.44, 46.6),
        ("propane", 0.93, 24.93, 40.1),
        ("gas", 0.65, 19.05, 52.5),
        ("gas", 0.80, 23.45, 42.7),
        ("gas", 0.93, 27.26, 36.7),
        ("oil", 0.70, 28.41, 35.2),
        ("oil", 0.75, 30.44, 32.8),
        ("oil", 0.85, 34.50, 29.0),
        ("oil-low-sulfur", 0.75, 30.20, 33.1),
        ("electricity", 1.0, 1.0, 1000.0),
        ("hardwood", 0.60, 3517.0, 0.284),
        ("softwood", 0.60, 2110.0, 0.474),
        ("pellets", 0.80, 1.92, 520.0),
    ],
)
def test_energy_contents_give_the_published_units(
    fuel: str, efficiency: float, useful_kwh: float, per_1000: float
) -> None:
    assert FUELS[fuel].useful_kwh(efficiency) == pytest.approx(useful_kwh, rel=1e-3, abs=0.006)
    assert units(1000.0, fuel, efficiency) == pytest.approx(per_1000, rel=2e-3)


@pytest.mark.parametrize(
    ("fuel", "efficiency", "expected"),
    [
        ("propane", 0.80, 201.0),
        ("propane", 0.65, 248.0),
        ("propane", 0.93, 173.0),
        ("oil", 0.75, 142.0),
        ("gas", 0.80, 184.0),
    ],
)
def test_a_season_of_one_and_a_half_kilowatt(fuel: str, efficiency: float, expected: float) -> None:
    assert units(SEASON_KWH, fuel, efficiency) == pytest.approx(expected, abs=0.6)


def test_a_season_in_wood() -> None:
    assert units(SEASON_KWH, "hardwood", 0.60) == pytest.approx(1.23, abs=0.005)
    assert units(SEASON_KWH, "hardwood", 0.65) == pytest.approx(1.13, abs=0.006)  # 14.74 MMBtu at 20 MMBtu a cord


def test_the_second_worked_example_at_other_efficiencies() -> None:
    """175.4 gal propane at 92 %, 125.0 gal oil at 85 %: with the EIA's older contents 91,333 and 138,690 Btu."""
    assert units(SEASON_KWH, "propane", 0.92) == pytest.approx(175.4, rel=0.002)
    assert units(SEASON_KWH, "oil", 0.85) == pytest.approx(125.0, rel=0.002)


def test_gas_per_hundred_cubic_feet_at_the_older_content() -> None:
    """156.3 ccf at 1,025 Btu/ft3 and 92 %: ours holds 1,037 (EIA, later)."""
    assert units(SEASON_KWH, "gas-ccf", 0.92) == pytest.approx(156.3 * 1025.0 / 1037.0, rel=0.001)


def test_a_leaking_vent() -> None:
    """672,000 Btu a day at 75 %: 6.46 gal oil, 9.81 gal propane (greenhouse trade press, at EIA contents)."""
    kwh = 672_000 * 1055.05585262 / 3.6e6
    assert units(kwh, "oil", 0.75) == pytest.approx(6.46, abs=0.015)
    assert units(kwh, "propane", 0.75) == pytest.approx(9.81, abs=0.015)
    assert units(kwh, "gas-ccf", 0.75) == pytest.approx(8.74 * 1025 / 1037, abs=0.015)


def test_propane_parity_with_electricity() -> None:
    """At 17.98 c/kWh propane at 80 % is dearer than electric heat above 3.86 a gallon; at 2.659 it is 12.4 c/kWh."""
    assert 0.1798 * FUELS["propane"].useful_kwh(0.80) == pytest.approx(3.86, abs=0.006)
    assert 2.659 / FUELS["propane"].useful_kwh(0.80) == pytest.approx(0.124, abs=0.0005)


def test_units_of_sale_agree_with_each_other() -> None:
    assert units(1000, "propane", 0.8) * 3.785411784 == pytest.approx(units(1000, "propane-l", 0.8))
    assert FUELS["propane-l"].content_kwh * 3.6 == pytest.approx(25.49, abs=0.01)  # MJ/L, EIA
    assert FUELS["oil-l"].content_kwh * 3.6 == pytest.approx(38.60, abs=0.01)
    assert FUELS["propane-l"].content_kwh / FUELS["propane-kg"].content_kwh == pytest.approx(0.506, abs=0.006)  # kg/L
    assert FUELS["gas-m3"].content_kwh == pytest.approx(10.73, abs=0.01)
    assert FUELS["pellets-ton"].content_kwh * 3412 == pytest.approx(16.5e6, rel=0.007)


def test_range_and_money_go_along() -> None:
    told = avoided(1000, 900, 1100, "propane", 0.80, Price(2.659, "USD", date(2026, 2, 23)), date(2026, 3, 1))
    assert (told.low, told.high) == pytest.approx((0.9 * told.units, 1.1 * told.units))
    assert told.money == pytest.approx(124.0, abs=0.1)
    assert (told.money_low, told.money_high) == pytest.approx((0.9 * told.money, 1.1 * told.money))
    assert told.warning == ""
    assert "same weather" in told.counterfactual and "80%" in told.counterfactual
    assert "57.4 at 65%" in told.efficiency_effect and "40.1 at 93%" in told.efficiency_effect


@pytest.mark.parametrize(
    ("as_of", "word"),
    [(date(2026, 1, 1), ""), (date(2025, 12, 31), "stale"), (None, "no date"), (date(2026, 5, 1), "after today")],
)
def test_an_old_price_is_said_to_be_stale_after_ninety_days(as_of: date | None, word: str) -> None:
    warning = Price(1.0, "USD", as_of).warning(date(2026, 4, 1))
    assert word in warning and bool(warning) == bool(word)


def test_the_five_ledgers_are_not_netted() -> None:
    priced = avoided(800, 700, 900, "propane", 0.8, Price(2.0))
    books = Ledgers(1500.0, 1000.0, 800.0, priced, costs=100.0)
    assert priced.money is not None and books.money_less_costs == pytest.approx(priced.money - 100.0)
    assert books.costs == 100.0 and books.avoided.money == priced.money
    assert Ledgers(1500.0, 1000.0, 800.0, avoided(800, 700, 900, "oil"), 100.0).money_less_costs is None


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"fuel": "coal"}, "fuel.kind"),
        ({"efficiency": 1.05}, "fuel.efficiency"),
        ({"efficiency": nan}, "fuel.efficiency"),
        ({"useful_kwh": nan}, "not measured"),
        ({"useful_kwh": 2000.0}, "own range"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(change: dict[str, object], words: str) -> None:
    given: dict[str, object] = {"useful_kwh": 1.0, "low_kwh": 0.5, "high_kwh": 2.0, "fuel": "propane", **change}
    with pytest.raises(UsageError, match=words):
        avoided(**given)  # type: ignore[arg-type]


PROPANE = FUELS["propane"]


@pytest.mark.parametrize("text", ["2.66 USD/gal", "2.66 USD", "2.66USD / US gal", " 2.66 USD /gallon "])
def test_a_price_says_its_unit_or_is_of_the_unit_the_fuel_is_sold_in(text: str) -> None:
    price = read_price(text, PROPANE, date(2026, 2, 23))
    assert (price.per_unit, price.currency) == (2.66, "USD")


@pytest.mark.parametrize(
    ("text", "told"), [("2.66 USD/L", "counted in US gal"), ("0.7 EUR/kg", "counted in"), ("2,66", "is no price")]
)
def test_a_price_for_another_unit_is_never_taken_for_ours(text: str, told: str) -> None:
    with pytest.raises(UsageError, match=told):
        read_price(text, PROPANE, None)


FUEL = '[fuel]\nkind = "propane"\nefficiency = "90 %"\nprice = "2.66 USD/gal"\nprice_date = 2026-02-23\n'


def test_the_settings_file_names_the_fuel_once_and_for_all() -> None:
    choice = chosen(parse(FUEL).outside.fuel)
    assert choice is not None and choice.fuel is PROPANE and choice.efficiency_factor == 0.9
    assert choice.price == Price(2.66, "USD", date(2026, 2, 23))
    assert chosen(parse("").outside.fuel) is None
    quoted = FUEL.replace("2026-02-23", '"2026-02-23"')
    assert parse(quoted).outside.fuel == parse(FUEL).outside.fuel


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (('kind = "propane"\n', ""), "goes with fuel.kind"),
        (("propane", "coal"), "fuel.kind"),
        (("USD/gal", "USD/L"), "counted in US gal"),
        (("90 %", "120 %"), "fuel.efficiency"),
        (("price_date = 2026-02-23\n", ""), "fuel.price_date"),
        (("2026-02-23", "yesterday"), "not valid TOML"),
        (("2026-02-23", '"yesterday"'), "is no date"),
    ],
)
def test_a_mistake_in_the_fuel_costs_one_line(change: tuple[str, str], told: str) -> None:
    with pytest.raises(SettingsFileError, match=told):
        parse(FUEL.replace(*change))


def test_another_fuel_on_the_command_line_brings_no_old_price_along() -> None:
    kept = parse(FUEL).outside.fuel
    assert overridden(kept, "oil", None, None, None) == FuelSettings("oil")
    assert overridden(kept, None, 0.7, None, None).price == kept.price


def test_report_and_plan_take_the_fuel_from_the_settings_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The report finds the settings that the board keeps beside its ledger; both take a file that is named."""
    ledger = flowing(tmp_path / "ledger.sqlite")
    TwoCopies(tmp_path, "settings").save(FUEL)
    (tmp_path / "mine.toml").write_text(FUEL.replace("90 %", "70 %"))
    found = []
    for words in (["report", ledger, "--json"], ["report", ledger, "--json", "--settings", tmp_path / "mine.toml"]):
        assert main([str(word) for word in words]) == 0
        found.append(json.loads(capsys.readouterr().out)["fuel"])
    assert [f["efficiency"] for f in found] == pytest.approx([0.9, 0.7])
    assert {f["fuel"] for f in found} == {"propane"}
    assert found[0]["money"] == pytest.approx(2.66 * found[0]["units"])
    words = ["plan", str(MILD), "--days", "2", "--json", "--settings", str(tmp_path / "mine.toml")]
    assert main(words) == 0
    told = json.loads(capsys.readouterr().out)
    assert (
        told["fuel"] == "propane" and told["fuel_efficiency"] == pytest.approx(0.7) and told["money"]["p50"] is not None
    )


def flowing(path: Path) -> Path:
    ticks(path, [({}, decision(pump=0.3))] * 60)
    return path


def test_a_price_must_be_a_price() -> None:
    with pytest.raises(UsageError, match=r"fuel\.price"):
        Price(-1.0)


def test_a_heat_pump_has_its_cop() -> None:
    assert units(900.0, "electricity", 3.0) == pytest.approx(300.0)
