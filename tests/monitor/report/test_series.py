"""Values thinned over time: no peak is lost, no hole is closed, and there are never too many."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.report.axes import Scale, Times, number, round_numbers
from monitor.report.charts import Curve, Level, chart
from monitor.report.series import Series

VALUES = st.lists(
    st.tuples(st.integers(1, 3_000_000_000), st.none() | st.floats(-1e3, 1e3), st.floats(0.0, 10.0)),
    min_size=1,
    max_size=80,
)


def filled(steps, most=8) -> tuple[Series, list[tuple[int, float | None, float]]]:
    series, now, taken = Series(most), 0, []
    for by_ns, value, off in steps:
        now += by_ns
        series.take(now, value, off)
        taken.append((now, value, off))
    return series, taken


@given(VALUES)
def test_no_peak_is_lost_and_no_hole_is_closed(steps):
    series, taken = filled(steps)
    stretches = list(series)
    assert len(stretches) <= 8
    for at_ns, it in stretches:
        first, after = at_ns - series.long_ns // 2, at_ns + series.long_ns // 2
        inside = [(value, off) for time_ns, value, off in taken if first <= time_ns < after]
        values = [value for value, _ in inside if value is not None]
        assert it.least == (min(values) if values else None)
        assert it.greatest == (max(values) if values else None)
        assert it.unknown is any(value is None for value, _ in inside)
        assert it.off == max((off for value, off in inside if value is not None), default=0.0)
        if values:
            assert it.rising is (values.index(max(values)) > values.index(min(values))) or min(values) == max(values)
    assert sum(it.least is not None or it.unknown for _, it in stretches) == len(stretches)
    known = [value for _, value, _ in taken if value is not None]
    assert (series.top is None) is (not known)
    if known:
        assert (series.top[1], series.bottom[1]) == (max(known), min(known))
    assert series.last == taken[-1][1]


@given(VALUES)
@settings(max_examples=25)
def test_every_line_that_is_drawn_stays_in_its_field(steps):
    series, taken = filled(steps)
    times = Times(taken[-1][0])
    svg = chart("t", "told", [Curve("<name of a line>", series)], Scale(1.0, "mm", 10.0), times, [Level(5.0, "a & b")])
    assert bool(svg) is series.known
    assert "nan" not in svg
    assert "<name" not in svg
    if svg:
        assert "&lt;name of …" in svg


@given(st.floats(-1e6, 1e6), st.floats(0.0, 1e6))
def test_round_numbers_hold_both_ends(low, wide):
    found = round_numbers(low, low + wide)
    slack = 1e-6 * max(1.0, abs(low), wide)
    assert 2 <= len(found) <= 8
    assert found[0] <= low + slack
    assert found[-1] >= low + wide - slack


def test_numbers_at_an_axis_have_the_places_they_need():
    assert [number(it, 2.5) for it in (-2.5, 0.0, 2.5)] == ["−2.5", "0", "2.5"]
    assert [number(it, 50.0) for it in (0.0, 50.0)] == ["0", "50"]
    assert number(0.02, 0.01) == "0.02"
