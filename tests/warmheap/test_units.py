"""Quantities of the settings file: every unit against pint, and the traps of growers' units."""

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from warmheap.units import KINDS, QuantityError, canonical, from_si, to_si

PINT = pint.UnitRegistry()
SI = {
    "kg/s": "kg/s", "kg/s air": "kg/s", "s": "s", "kg": "kg", "m3": "m**3", "W/K": "W/K", "W": "W", "V": "V", "A": "A",
    "Hz": "1/s", "K": "kelvin", "1": "", "kg/kg": "", "mol/mol": "", "1/kg": "1/kg", "J": "J",
}  # fmt: skip
AS_PINT = {
    "%": "percent", "cfm": "foot**3/min", "gpm": "gal/min", "BTU/h/degF": "Btu_it/hour/delta_degF", "Hz": "1/s",
    "kHz": "1000/s", "L": "liter", "l": "liter", "m3": "m**3", "ft3": "foot**3", "yd3": "yard**3", "t": "tonne", "d": "day",
    "h": "hour", "pulses": "1", "BTU": "Btu_it", "MMBTU": "1e6*Btu_it", "therm": "1e5*Btu_it", "MBH": "1000*Btu_it/hour",
}  # fmt: skip
DENSITY = {"kg/s": 1000.0, "kg/s air": 1.2, "1/kg": 1 / 1000.0}
EVERY = [(kind, unit) for kind, (_, _, units) in KINDS.items() for unit in units]


def by_pint(unit, kind):
    """One ``unit`` in SI by pint; volumes are made masses by the stated density."""
    text = AS_PINT.get(unit) or "/".join(AS_PINT.get(part, part) for part in unit.split("/"))
    value = PINT.Quantity(1, PINT.parse_expression(text).units) * PINT.parse_expression(text).magnitude if text else 1
    if not text:
        return 1.0
    if kind in DENSITY and "[length]" in value.dimensionality:
        value = value * PINT.Quantity(DENSITY[kind], "kg/m**3" if kind != "1/kg" else "m**3/kg")
    return value.to(SI[kind] or "dimensionless").magnitude


@pytest.mark.parametrize(("kind", "unit"), EVERY)
def test_every_factor_is_pints(kind, unit):
    assert KINDS[kind][2][unit] == pytest.approx(by_pint(unit, kind), rel=1e-9)


@pytest.mark.parametrize("number", [-40.0, 0.0, 32.0, 113.0, 212.0])
def test_temperatures_are_pints(number):
    for unit in ("degC", "degF"):
        expected = PINT.Quantity(number, unit).to("degC").magnitude
        assert to_si(f"{number} {unit}", "degC") == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "kind", "si"),
    [
        ("1 gal/min", "kg/s", 0.0630902),
        ("1 gpm", "kg/s", 0.0630902),
        ("60 gal/h", "kg/s", 0.0630902),
        ("4 L/min", "kg/s", 0.0666667),
        ("113 degF", "degC", 45.0),
        ("113°F", "degC", 45.0),
        ("45 C", "degC", 45.0),
        ("50 gal", "m3", 0.189271),
        ("25 %", "1", 0.25),
        (0.25, "1", 0.25),
        ("1200 ppm", "mol/mol", 0.0012),
        ("24 hours", "s", 86400.0),
        ("130 cfm", "kg/s air", 0.0736238),
        ("450 pulses/L", "1/kg", 450.0),
        ("0.02 m³", "m3", 0.02),
    ],
)
def test_what_growers_write(text, kind, si):
    assert to_si(text, kind) == pytest.approx(si, rel=1e-5)


@pytest.mark.parametrize(
    ("given_value", "kind", "told"),
    [
        ("45", "degC", 'has no unit: must be a temperature, like "45 degC" or "113 degF"'),
        (45, "degC", "has no unit"),
        ("45 kg", "degC", 'the unit "kg" does not fit'),
        ("5 degF", "K", 'the unit "degF" does not fit'),  # a reading is no difference: 5 degF would become -15 K
        ("0,5 L/min", "kg/s", "write decimals with a point"),
        ("hot", "degC", "does not begin with a number"),
        ("1e999 V", "V", "is not finite"),
        (True, "1", "must be a share"),
        (None, "V", "must be a voltage"),
        ([1], "V", "must be a voltage"),
        ("1 ton", "kg", 'the unit "ton" does not fit'),  # short, long or metric?
        ("9" * 100, "1", "does not begin with a number"),
    ],
)
def test_what_is_refused_says_what_is_wanted(given_value, kind, told):
    with pytest.raises(QuantityError) as wrong:
        to_si(given_value, kind)
    assert told in str(wrong.value)


@pytest.mark.parametrize(
    ("text", "kind"), [("120 degF", "degC"), ("1 gal/min", "kg/s"), ("55 gal", "m3"), ("25 %", "1")]
)
def test_a_quantity_comes_back_as_it_was_written(text, kind):
    unit = text.split(" ", 1)[1]
    assert from_si(to_si(text, kind), kind, unit) == text


@given(st.text(max_size=30), st.sampled_from(sorted(KINDS)))
def test_no_text_makes_the_reader_raise_anything_else(text, kind):
    try:
        assert isinstance(to_si(text, kind), float)
    except QuantityError:
        pass


@given(st.text(max_size=10))
def test_unit_names_are_settled_once(unit):
    assert canonical(canonical(unit)) == canonical(unit)
