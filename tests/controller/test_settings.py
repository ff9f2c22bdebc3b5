"""A wrong setting is one line that names field, value and what is allowed."""

from __future__ import annotations

from dataclasses import fields
from math import inf, nan
from typing import Any

import pytest

from controller import ControllerSettings, SettingsError


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"pile_floor_c": 95.0}, "pile_floor_c = 95.0 is outside 40.0..60.0 degC"),
        ({"pump_power_w": nan}, "pump_power_w = nan is not a finite number (W)"),
        ({"pump_power_w": inf}, "is not a finite number"),
        ({"pump_power_w": "60"}, "is not a finite number"),
        ({"pump_power_w": True}, "is not a finite number"),
        ({"battery_kind": "nickel"}, "battery_kind = 'nickel' is not one of lead-acid, lithium"),
        ({"greenhouse_min_c": 25.0}, "greenhouse_min_c = 25.0 is above greenhouse_ceiling_c = 24.0"),
        ({"battery_low_v": 13.0}, "battery_low_v = 13.0 is above battery_ok_v = 12.4"),
        ({"supply_target_c": 55.0}, "above supply_max_c"),
    ],
)
def test_wrong_setting(change: dict[str, Any], words: str) -> None:
    with pytest.raises(SettingsError) as caught:
        ControllerSettings(**change)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_every_setting_has_unit_and_meaning_and_its_default_is_inside() -> None:
    for f in fields(ControllerSettings):
        assert f.metadata["help"]
        assert "unit" in f.metadata
        if "low" in f.metadata:
            assert f.metadata["low"] <= f.default <= f.metadata["high"]
