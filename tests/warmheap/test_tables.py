"""Tables say what a season came to, also when a figure is missing."""

from warmheap.simulate import finite
from warmheap.tables import backup_text, caption, comparison_row, flow_text, limits_text, season_lines

SEASON = {
    "heat_useful_kwh": 1234.4, "heat_water_kwh": 1000.0, "heat_air_kwh": 234.4, "backup_avoided_kwh": 820.0,
    "backup_without_pile_kwh": 1900.0, "cold_hours_from_draw": 3.4, "core_min_c": 46.12, "twin_core_min_c": 58.0,
    "heat_made_kwh": 5000.0, "drawn_kwh": 1500.0, "supply_rmse_c": None, "flow_mean_kg_s": 0.0631, "pump_hours": 100.0,
    "pump_wh": 900.0, "fan_wh": 100.0, "battery_outage_h": 0.0, "line_frozen_h": 0.0, "greenhouse_min_c": 6.9,
    "hours_below_minimum": 0.0, "limited_by_h": {"demand": 100.0, "frost": 3.0, "flow": 500.0, "supply": 50.0},
    "alarms": [{"code": "battery-flat", "count": 2}], "wall_seconds": 3.21, "interrupted": False,
}  # fmt: skip


def test_a_season_in_lines():
    lines = dict(season_lines(SEASON))
    assert lines["Useful heat brought in"] == "1,234 kWh"
    assert lines["Backup heat avoided"] == "820 of 1,900 kWh (43%)"
    assert lines["Coldest core once hot"] == "46.1 °C (left alone 58.0 °C)"
    assert lines["Supply off target in steady flow, rms"] == "never in steady flow"
    assert lines["Flow while pumping, mean"] == "0.063 kg/s (1.0 US gal/min), 100 h"
    assert lines["Alarms"] == "battery-flat (2)"
    assert "Rule found" not in lines


def test_a_found_rule_comes_first():
    assert season_lines(SEASON | {"rule": "1.0 gal/min"})[0] == ("Rule found", "1.0 gal/min")


def test_no_heater_and_no_need():
    no_heater = {"backup_avoided_kwh": None, "backup_without_pile_kwh": None}
    assert backup_text(no_heater) == "no backup heater in this scenario"
    assert backup_text({"backup_avoided_kwh": 0.0, "backup_without_pile_kwh": 0.0}) == "0 of 0 kWh"


def test_the_three_limits_that_ruled_longest():
    assert limits_text(SEASON["limited_by_h"]) == (
        "flow at its target 500 h, greenhouse warm enough 100 h, keeping the water hot enough 50 h"
    )
    assert limits_text({}) == "nothing"


def test_flow_in_both_units():
    assert flow_text(0.1262, 10.0) == "0.126 kg/s (2.0 US gal/min), 10 h"


def test_a_policys_row_puts_cold_hours_beside_heat():
    assert comparison_row("steady", SEASON) == ["steady", "820", "3", "46.1", "1,234", "1,000", "0", "0"]
    stopped = comparison_row("steady", SEASON | {"interrupted": True, "backup_avoided_kwh": None})
    assert stopped[:2] == ["steady (stopped)", "-"]


def test_the_caption_says_what_the_columns_are_measured_against():
    text = caption({"policies": {"off": SEASON}, "tuned_rule": "1.0 gal/min"})
    assert "needs 1,900 kWh" in text and "above 58.0 °C" in text and "Tuned: 1.0 gal/min." in text


def test_json_has_no_nan():
    value = {"a": float("nan"), "b": [1.0, float("inf")], "c": ("x", 2), "d": {"e": -float("inf")}}
    assert finite(value) == {"a": None, "b": [1.0, None], "c": ["x", 2], "d": {"e": None}}
