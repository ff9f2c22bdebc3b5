"""The controller's answers in the page's words: names of settings, and values in the user's units."""

from __future__ import annotations

import re

from .show import Units
from .views import TARGET_WORDS

_OTHER_WORDS = {"supply_max_c": "Scald limit", "pile_floor_c": "Pile floor"}
_NUMBER = r"(-?\d+(?:\.\d+)?(?:e-?\d+)?)"
_BETWEEN = re.compile(rf"\b(\w+_(?:c|kg_s)) = {_NUMBER} is outside {_NUMBER}\.\.{_NUMBER} (?:degC|kg/s)")
_IS = re.compile(rf"\b(\w+_(?:c|kg_s)) = {_NUMBER}")


def answer(units: Units, text: str) -> str:
    """``text`` with settings named and shown as on the page."""
    text = _BETWEEN.sub(
        lambda m: (
            f"{_word(m[1])} {_shown(units, m[1], m[2])} is outside {_shown(units, m[1], m[3])} to "
            f"{_shown(units, m[1], m[4])}"
        ),
        text,
    )
    return units.text(_IS.sub(lambda m: f"{_word(m[1])} {_shown(units, m[1], m[2])}", text))


def _word(name: str) -> str:
    return TARGET_WORDS.get(name) or _OTHER_WORDS.get(name) or name.replace("_", " ")


def _shown(units: Units, name: str, number: str) -> str:
    return units.water(float(number)) if name.endswith("kg_s") else units.temp(float(number)).replace(" °", "\u00a0°")
