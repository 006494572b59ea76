"""Bags and the air in them: effective area, virtual work, series bags and the gas laws, against closed forms."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.drill.physics import AirBag
from monitor.engine.leak import PressureLoss, at_reference
from monitor.engine.sharing import share_height
from monitor.rig.capacity import AreaTable
from monitor.rig.schema import Bag

BAR, ATM = 1e5, 101_325.0
HIGHEST = 2.0 / math.pi
"""Height over flat width at which a pillow strip has become round."""


def bag(capacity):
    return Bag.model_validate(
        {"name": "b", "working_pressure": "8 bar", "height_flat": 0.0, "pressure": "p", "capacity": capacity}
    )


def strip(width, length=1.0):
    """The data plate of a pillow strip by its two ends: two inextensible sheets `width` wide when flat, `length` long.

    Its sides are half circles, so it touches over width - pi h/2 and F = p B (L - pi h/2) falls linearly to nothing at
    2 L/pi (membrane statics; any text on air springs).
    """
    return bag([[0.0, 8 * BAR * length * width], [HIGHEST * width, 0.0]])


def strip_volume(width, height, length=1.0):
    """What it holds more than flat: L h - pi h^2/4 per length."""
    return length * (width * height - math.pi * height**2 / 4)


@pytest.mark.parametrize(("height", "kilonewtons"), [(0.1, 354.336), (0.2, 228.673), (0.3, 103.009), (0.381972, 0.0)])
def test_a_pillow_strips_force_between_the_points_of_its_plate(height, kilonewtons):
    # L 0.6 m, B 1 m, 8 bar: the closed form above.
    assert 8 * BAR * AreaTable(strip(0.6)).area(height) == pytest.approx(kilonewtons * 1e3, abs=1.0)
    assert 8 * BAR * AirBag(strip(0.6)).area(height) == pytest.approx(kilonewtons * 1e3, abs=1.0)


SQUARE = [
    (0.0, 288.0),
    (0.05, 217.537),
    (0.10, 156.943),
    (0.15, 106.219),
    (0.20, 65.364),
    (0.25, 34.379),
    (0.30, 13.264),
]


@pytest.mark.parametrize("height", [0.025, 0.06, 0.125, 0.19, 0.275])
def test_a_square_pillow_is_met_from_above_within_the_chords_error(height):
    # Both sides shrink: F = p (L - pi h/2)^2, kN at 8 bar and 0.6 m. A chord over 50 mm of a curve with second derivative
    # p pi^2/2 lies at most 0.05^2/8 of that above it.
    table = AreaTable(bag([[h, f"{kn} kN"] for h, kn in SQUARE]))
    exact = 8 * BAR * (0.6 - math.pi * height / 2) ** 2
    assert -1.0 < 8 * BAR * table.area(height) - exact < 0.05**2 / 8 * 8 * BAR * math.pi**2 / 2 + 1.0


@pytest.mark.parametrize(("height", "bars"), [(0.1, 2.258), (0.2, 3.498), (0.3, 7.766)])
def test_pressure_rises_with_height_under_a_constant_load(height, bars):
    # 100 kN on the strip: p = W/A(h). What the stack makes of that pressure at that height is the load again; and the
    # area has grown, not shrunk, where a bag is pressed flatter.
    force, heights = share_height([AreaTable(strip(0.6))], [bars * BAR], height)
    assert force == pytest.approx(100e3, rel=3e-4)
    assert heights == pytest.approx([height])


@settings(deadline=None)
@given(st.floats(0.13, 0.63), st.floats(0.1, 10.0))
def test_two_strips_at_one_pressure_differ_by_a_constant_height(total, bars):
    # L1 - pi h1/2 = L2 - pi h2/2: h1 - h2 = 2 (L1 - L2)/pi = 0.127324 m for 0.6 and 0.4 m, at any load.
    _, (h1, h2) = share_height([AreaTable(strip(0.6)), AreaTable(strip(0.4))], [bars * BAR] * 2, total)
    assert h1 - h2 == pytest.approx(0.127324, abs=1e-6)
    assert h1 + h2 == pytest.approx(total)


@settings(deadline=None)
@given(st.floats(0.001, 0.38), st.floats(0.1, 8.0))
def test_virtual_work_and_volume(height, bars):
    # F dh = p dV for any air spring at constant pressure: the slope of the volume is the area; the volume is the strip's.
    it = AirBag(strip(0.6))
    assert it.volume(height) - it.volume(0.0) == pytest.approx(strip_volume(0.6, height), rel=1e-9)
    it.air = (bars * BAR + ATM) * it.volume(height)
    step = 1e-4
    work = bars * BAR * (it.volume(height + step) - it.volume(height - step)) / (2 * step)
    assert it.force(height) == pytest.approx(work, rel=1e-6, abs=1.0)


def test_boyle_takes_absolute_pressure():
    # 8 bar gauge, volume 100 to 90: 9.001472 bar gauge; with gauge pressure by mistake 8.889.
    it = AirBag(strip(0.6))
    whole = it.volume(0.0) + strip_volume(0.6, 0.3)
    it.air = (8 * BAR + ATM) * whole
    left = 0.9 * whole - it.volume(0.0)
    height = (0.6 - math.sqrt(0.36 - math.pi * left)) * HIGHEST  # L h - pi h^2/4 = left
    assert it.pressure(height) == pytest.approx(9.001472 * BAR, abs=0.1)
    assert at_reference(8 * BAR, 1.0, 100 / 90) == pytest.approx(9.001472 * BAR, abs=0.1)


@pytest.mark.parametrize(("celsius", "bars"), [(5.0, 7.538807), (-10.0, 7.077614)])
def test_cooling_is_no_leak(celsius, bars):
    # Ideal gas, shut volume, absolute pressure: 8 bar gauge at 20 degrees Celsius, then colder.
    assert at_reference(bars * BAR, (273.15 + celsius) / 293.15, 1.0) == pytest.approx(8 * BAR, abs=0.1)
    loss = PressureLoss()
    for second in range(120):
        share = second / 119
        gauge = 8 * BAR + share * (bars - 8) * BAR
        picture = loss.tick(second * 10**9, True, gauge, 100.0, 293.15 + share * (celsius - 20.0))
    assert picture.corrected
    assert not picture.significant
    assert picture.loss_pa_s == pytest.approx(0.0, abs=0.01)
    assert loss.tick(120 * 10**9, False, bars * BAR, 100.0, 273.15 + celsius) is None


@pytest.mark.parametrize(("celsius", "density"), [(0.0, 1.29227), (15.0, 1.22500), (20.0, 1.20411)])
def test_air_keeps_its_density_in_a_shut_volume(celsius, density):
    # Density of dry air at 101,325 Pa: US Standard Atmosphere 1976 and ISO 2533 (1.2250 at 15 degrees), the others by the
    # ideal gas, R 287.05287 J/(kg K). Air shut in at that temperature and brought to 15 degrees has the atmosphere's
    # pressure times the ratio of densities.
    gauge = ATM * density / 1.22500 - ATM
    assert at_reference(gauge, 288.15 / (273.15 + celsius), 1.0) == pytest.approx(0.0, abs=1.0)
