"""Crib guidance against the published figures, and those against the formula they come from."""

import pytest

from monitor.rig.schema import Crib
from monitor.rig.timber import contact_capacity, crib_guidance

LBF = 4.4482216152605  # 0.45359237 kg x 9.80665 m/s^2
FOOT = 0.3048


def crib(timber="4x4", members=2, width=1.2, wet=False) -> Crib:
    return Crib.model_validate(
        {"name": "C", "at": ["0 m", "0 m"], "timber": timber, "members": members, "width": f"{width} m", "wet": wet}
    )


@pytest.mark.parametrize(
    ("timber", "members", "lbf"),
    [
        ("4x4", 2, 24_000),  # California OES, Rescue Systems 1 (Dec 2000), ch. 30
        ("4x4", 3, 54_000),  # 9 x 6,000 lb: the lowest of 54,000, 55,000 (California OES) and 55,125 (formula)
        ("6x6", 2, 60_000),  # "Shoring Systems for Structural Collapse - Part 1", repeating FEMA
        ("6x6", 3, 135_000),  # 9 x 15,000 lb a contact
    ],
)
def test_the_capacity_is_the_lowest_published_figure(timber, members, lbf):
    assert crib_guidance(crib(timber, members)).capacity_n == pytest.approx(lbf * LBF, rel=1e-12)


def test_24_000_pounds_in_newtons():
    assert crib_guidance(crib()).capacity_n == pytest.approx(106_757, abs=1)


@pytest.mark.parametrize(
    ("timber", "members", "lbf"),
    # contacts x actual area x 500 psi, worked out by hand: 3.5 in and 5.5 in square
    [("4x4", 2, 24_500), ("4x4", 3, 55_125), ("6x6", 2, 60_500), ("6x6", 3, 136_125)],
)
def test_the_formula_gives_a_little_more_than_the_guides(timber, members, lbf):
    assert contact_capacity(timber, members) == pytest.approx(lbf * LBF, rel=1e-9)
    assert 0.97 * lbf * LBF < crib_guidance(crib(timber, members)).capacity_n < lbf * LBF


@pytest.mark.parametrize(
    ("timber", "width", "height"),
    [
        ("4x4", 0.3, 0.9),  # three times the width: "Shoring Systems for Structural Collapse - Part 1"
        ("4x4", 0.5, 4 * FOOT),  # capped: encyclopaedia page on box cribs; FEMA course (from memory)
        ("6x6", 0.5, 1.5),
        ("6x6", 0.7, 6 * FOOT),
        ("4x4", -1.0, 0.0),  # the rig file's check refuses it; no negative height all the same
    ],
)
def test_the_height_is_three_times_the_width_and_capped(timber, width, height):
    assert crib_guidance(crib(timber, width=width)).height_m == pytest.approx(height)


def test_wet_timber_carries_two_thirds_and_stands_as_high():
    # Wet-service factor 0.67 for stress across the grain, NDS Supplement table 4A (from memory)
    dry, wet = crib_guidance(crib("6x6")), crib_guidance(crib("6x6", wet=True))
    assert wet.capacity_n == pytest.approx(40_200 * LBF)
    assert wet.height_m == dry.height_m
