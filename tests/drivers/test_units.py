"""Units at the edge: exact factors, and what a rig file may not say."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants as c

from drivers.units import UNITS, UnitError, linear, to_si, within_reason

# scipy.constants (CODATA, NIST SP 811): an independent table of the same exact definitions.
FACTORS = [
    ("pressure", "psi", c.psi),
    ("pressure", "bar", c.bar),
    ("pressure", "kPa", 1e3),
    ("length", "in", c.inch),
    ("length", "ft", c.foot),
    ("length", "mm", 1e-3),
    ("force", "lbf", c.lbf),
    ("force", "kgf", c.kgf),
    ("force", "kN", 1e3),
    ("force", "kip", 1000 * c.lbf),
    ("angle", "deg", c.degree),
    ("area", "cm^2", 1e-4),
    ("area", "in^2", c.inch**2),
    ("time", "min", 60.0),
    ("density", "lb/ft^3", c.lb / c.foot**3),
    ("ratio", "%", 0.01),
    ("speed", "mm/s", 1e-3),
    ("volume", "L", c.liter),
    ("volume", "ft3", c.foot**3),
    ("volume", "m^3", 1.0),
]


@pytest.mark.parametrize(("quantity", "unit", "factor"), FACTORS)
def test_factors_agree_with_an_independent_table(quantity, unit, factor):
    assert linear(quantity, unit) == (pytest.approx(factor, rel=4e-16), 0.0)
    assert to_si(quantity, f"2.5 {unit}") == pytest.approx(2.5 * factor, rel=4e-16)


def test_known_conversions():
    assert to_si("pressure", "116 psi") == pytest.approx(799_791.8, abs=0.1)  # 116 psi = 7.997918 bar (NIST SP 811)
    assert to_si("length", "4 ft 6 in") == pytest.approx(1.3716)
    assert to_si("length", "4 ft 6 1/2 in") == pytest.approx(1.3843)
    assert to_si("length", "-1 ft 0 1/2 in") == pytest.approx(-0.3175)
    assert to_si("length", "2 7/16 in") == pytest.approx(0.0619125)  # 2.4375 in of 25.4 mm
    assert to_si("length", "7/16 in") == pytest.approx(0.0111125)
    assert to_si("temperature", "20 degC") == pytest.approx(293.15)
    assert to_si("angle", "180 deg") == math.pi
    assert to_si("pressure", 800_000) == 800_000.0  # a bare number is SI


@pytest.mark.parametrize(
    ("quantity", "given"),
    [
        ("pressure", "8 bar 3"),
        ("pressure", "psi"),
        ("pressure", ""),
        ("pressure", "8"),
        ("pressure", "8 m"),
        ("pressure", "8 BAR"),
        ("pressure", "1e999 bar"),
        ("pressure", "nan bar"),
        ("pressure", True),
        ("pressure", None),
        ("pressure", float("nan")),
        ("pressure", float("inf")),
        ("pressure", 10**400),
        ("pressure", [8]),
        ("pressure", "8 bar*2"),
        ("force", "56 ton"),
        ("force", "5 t"),  # a ton is 8.90, 9.81 or 9.96 kN
        ("length", "1 ft 2 3/0 in"),
        ("length", "3/0 in"),
        ("length", "2 7/16"),
        ("length", "2 7/16 mm"),
        ("length", "1 2 in"),
        ("length", "١ m"),
    ],
)
def test_what_is_not_one_number_and_one_known_unit_is_refused(quantity, given):
    with pytest.raises(UnitError, match="such as"):
        to_si(quantity, given)


@pytest.mark.parametrize("given", ["1e300 m", "-1e13 m", "1e-13 m", 1e308, 5e-324])
def test_what_nobody_can_reckon_with_is_refused_where_a_person_writes_it(given):
    assert math.isfinite(to_si("length", given))
    with pytest.raises(UnitError, match=r"of a size between 1e-12 and 1e\+12 in SI"):
        within_reason("length", given)


@pytest.mark.parametrize("given", ["0 m", 0, "-2 m", "1e12 m", "1e-12 m"])
def test_all_else_is_as_it_was(given):
    assert within_reason("length", given) == to_si("length", given)


@given(st.sampled_from(sorted(UNITS)), st.text(max_size=20))
def test_any_text_is_a_finite_number_or_a_sentence(quantity, text):
    try:
        assert math.isfinite(to_si(quantity, text))
    except UnitError as error:
        assert quantity in str(error)


@given(
    st.sampled_from([(q, u) for q, (_, units) in UNITS.items() for u in units if q != "temperature"]),
    st.floats(-1e6, 1e6),
)
def test_text_and_factor_agree(unit, number):
    quantity, name = unit
    assert to_si(quantity, f"{number!r} {name}") == pytest.approx(
        number * linear(quantity, name)[0], rel=1e-14, abs=1e-300
    )
