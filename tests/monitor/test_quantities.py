"""What a person reads: what is known and no more, a tape where tapes are read, and always something that can be typed again."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants as c

from drivers.units import to_si
from monitor import quantities as show

UNITS = st.sampled_from(["metric", "us"])
TAPE = re.compile(r"-?(?:\d+ ft \d+ )?(?:\d+ )?(?:\d+/(?:2|4|8|16) )?in|-?(?:\d+ ft )?\d+ in|-?\d+ ft \d+ \d+/\d+ in")


@pytest.mark.parametrize(
    ("inches", "text"),
    [
        # worked by hand: sixteenths, lowest terms, feet from twelve inches on
        (0, "0 in"),
        (1 / 16, "1/16 in"),
        (0.03, "0 in"),
        (-0.03, "0 in"),
        (2 + 7 / 16, "2 7/16 in"),
        (-(2 + 7 / 16), "-2 7/16 in"),
        (11 + 15.6 / 16, "1 ft 0 in"),
        (12, "1 ft 0 in"),
        (12.5, "1 ft 0 1/2 in"),
        (16 + 3 / 8, "1 ft 4 3/8 in"),
        (54, "4 ft 6 in"),
        (0.5, "1/2 in"),
    ],
)
def test_a_tape_is_read_in_feet_inches_and_fractions(inches, text):
    assert show.length(inches * c.inch, "us") == text


@pytest.mark.parametrize(
    ("m", "bound", "metric", "us"),
    [
        (0.0624, None, "62 mm", "2 7/16 in"),
        (0.0624, 0.0003, "62 mm", "2 7/16 in"),
        (0.0624, 0.002, "62 mm", "2 7/16 in"),
        (0.0624, 0.0032, "62 mm", "2 1/2 in"),  # an eighth is 3.175 mm
        (0.0624, 0.006, "60 mm", "2 1/2 in"),
        (0.0624, 0.012, "60 mm", "2 1/2 in"),
        (0.0624, 0.03, "60 mm", "2 in"),
        (1.2345, 0.012, "1.23 m", "4 ft 0 1/2 in"),
    ],
)
def test_a_length_is_rounded_to_what_is_known(m, bound, metric, us):
    assert show.length(m, "metric", bound) == metric
    assert show.length(m, "us", bound) == us


@given(st.floats(-30.0, 30.0), UNITS, st.none() | st.floats(0.0, 0.05))
def test_rounding_moves_a_length_by_no_more_than_half_a_step_or_half_its_bound(m, units, bound):
    number = to_si("length", show.length(m, units, bound))
    finest = 1e-3 if units == "metric" and abs(m) < 0.9995 else 1e-2 if units == "metric" else c.inch / 16
    assert abs(number - m) <= max(finest, bound or 0.0) / 2 + 1e-9


@given(st.floats(0.0, 0.2), UNITS)
def test_a_bound_claims_no_more_than_is_known_nor_much_less(m, units):
    text = show.bound(m, units)
    assert text.startswith("± ")
    said = to_si("length", text.removeprefix("± "))
    step = c.inch / 16 if units == "us" else 1e-4 if said < 0.01 else 1e-3
    assert m - 1e-9 <= said < m + step + 1e-9


SHOWN = [
    # (quantity, SI range, half of the last digit shown, in SI: metric, us)
    ("pressure", 2e6, 0.005e5, 0.5 * c.psi),
    ("force", 2e6, 0.05e3, 5 * c.lbf),
    ("angle", 3.0, math.radians(0.005), math.radians(0.005)),
    ("temperature", 400.0, 0.05, 0.05 / 1.8),
    ("current", 0.03, 0.005e-3, 0.005e-3),
    ("voltage", 12.0, 0.005e-3, 0.005e-3),
]


@given(st.sampled_from(SHOWN), st.floats(-1.0, 1.0), UNITS)
def test_what_is_shown_can_be_typed_and_is_within_half_its_last_digit(shown, share, units):
    quantity, most, metric, us = shown
    value = most * abs(share) if quantity == "temperature" else most * share
    half = us if units == "us" else metric
    assert abs(to_si(quantity, show.value(value, quantity, units)) - value) <= half * (1 + 1e-6)


@given(st.floats(-0.5, 0.5), UNITS)
def test_so_can_a_speed_and_a_volume(value, units):
    assert (
        abs(to_si("speed", show.speed(value, units)) - value) <= (0.005 * c.inch if units == "us" else 0.05e-3) + 1e-9
    )
    text = show.volume(value, units).replace("ft³", "ft3")
    assert abs(to_si("volume", text) - value) <= (0.05 * c.foot**3 if units == "us" else 0.5e-3) + 1e-9


def every(value, units) -> list[str]:
    kinds = ("length", "pressure", "force", "angle", "temperature", "current", "voltage")
    texts = [show.value(value, kind, units) for kind in kinds]
    texts += [show.speed(value, units), show.volume(value, units), show.angle(value), show.large(value, units)[0]]
    return [*texts, show.length(value, units, 0.01), show.force(value, units, 100.0)]


@pytest.mark.parametrize("units", ["metric", "us"])
@pytest.mark.parametrize("value", [None, math.nan, math.inf, -math.inf])
def test_what_is_not_known_is_no_number(value, units):
    assert set(every(value, units)) == {"--"}
    assert show.bound(value, units) == "± --"
    assert not any("--" in text for text in every(0.0, units))


@given(st.floats(-1e-4, 0.0), UNITS)
def test_nothing_is_less_than_nothing(value, units):
    for text in [show.length(value, units), *every(value, units)[7:]]:
        assert not re.match(r"-0(\.0*)?(?![\d.])", text), text


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("32 ± 2 kN", show.force(31_960.0, "metric", 1_200.0)),
        ("55.3 ± 0.3 kN", show.force(55_310.0, "metric", 250.0)),
        ("12400 ± 400 lbf", show.force(55_310.0, "us", 1_600.0)),
        ("7190 lbf", show.force(31_983.0, "us", None)),
        ("15.3 ± 0.4°", show.angle(math.radians(15.27), math.radians(0.33))),
        ("15.27°", show.angle(math.radians(15.27), 0.0)),
    ],
)
def test_a_number_with_a_bound_has_as_many_places_as_are_known(text, shown):
    assert text == shown


@given(st.floats(-1e6, 1e6), st.floats(1.0, 1e5))
def test_a_bound_beside_a_force_holds_it(n, bound):
    number, said = (float(it) * 1e3 for it in show.force(n, "metric", bound).removesuffix(" kN").split(" ± "))
    assert said >= bound * (1 - 1e-6)
    assert abs(number - n) <= max(said, 50.0) / 2 * (1 + 1e-6)


def test_small_differences_and_large_letters():
    assert show.small(231.0, "pressure") == "2.31 mbar"
    assert show.small(231.0, "pressure", "us") == "0.0335 psi"
    assert show.small(0.5, "temperature", "us") == "0.9 °F"
    assert show.large(0.0624, "us") == ("2 7/16", "in")
    assert show.large(0.4160, "us") == ("16 3/8", "in")
    assert show.large(1.2344) == ("1234", "mm")


@given(st.floats(0.0, 3.0))
def test_every_tape_reading_is_in_lowest_terms(m):
    text = show.length(m, "us")
    if top := re.search(r"(\d+)/(\d+)", text):
        assert int(top[1]) % 2 == 1
        assert int(top[1]) < int(top[2]) <= 16
    assert TAPE.fullmatch(text), text
