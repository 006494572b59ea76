"""Units of the rig file, against the exact definitions and the printed conversion tables."""

from fractions import Fraction

import pytest

from drivers.units import UNITS, UnitError, linear, to_si

INCH, FOOT, POUND, G = Fraction("0.0254"), Fraction("0.3048"), Fraction("0.45359237"), Fraction("9.80665")

# International yard and pound (1959) and the standard acceleration of gravity (CGPM 1901): exact; NIST SP 811, appendix B.
EXACT = [
    ("length", "in", INCH),
    ("length", "ft", FOOT),
    ("force", "lbf", Fraction("4.4482216152605")),
    ("force", "kgf", G),
    ("force", "kip", 1000 * POUND * G),
    ("pressure", "psi", POUND * G / INCH**2),
    ("pressure", "bar", Fraction(100_000)),
    ("pressure", "mbar", Fraction(100)),
    ("density", "lb/ft^3", POUND / FOOT**3),
    ("area", "in^2", INCH**2),
]


@pytest.mark.parametrize(("quantity", "unit", "factor"), EXACT)
def test_factors_are_the_exact_ones_rounded_once(quantity, unit, factor):
    assert linear(quantity, unit) == (float(factor), 0.0)
    assert to_si(quantity, f"7.3 {unit}") == float(Fraction("7.3") * factor)


# NIST SP 811 (2008), appendix B, seven digits (from memory); and common tables.
PRINTED = [
    ("pressure", "1 psi", 6.894757e3, 1e-3),
    ("force", "1 lbf", 4.448222, 1e-6),
    ("force", "2 kip", 8.896443e3, 1e-3),  # a short ton-force by another name
    ("angle", "1 deg", 1.745329e-2, 1e-8),
    ("density", "1 lb/ft^3", 1.601846e1, 1e-5),
    ("pressure", "116 psi", 7.997918e5, 0.1),
    ("pressure", "14.5037737730 psi", 1e5, 1e-5),
]


@pytest.mark.parametrize(("quantity", "given", "printed", "digit"), PRINTED)
def test_factors_are_the_printed_ones(quantity, given, printed, digit):
    assert to_si(quantity, given) == pytest.approx(printed, abs=0.51 * digit)


TONS = ["ton", "tons", "tonf", "t", "tf", "tonne", "tonnes", "metric_ton", "short_ton", "long_ton", "US_ton", "UK_ton"]


@pytest.mark.parametrize("unit", [*TONS, *map(str.upper, TONS)])
def test_a_ton_is_refused(unit):
    # 2000 lb, 2240 lb and 1000 kg: 8.896, 9.964 and 9.807 kN (NIST SP 811, appendix B.8).
    for quantity in UNITS:
        with pytest.raises(UnitError):
            to_si(quantity, f"5 {unit}")
        with pytest.raises(UnitError):
            linear(quantity, unit)
