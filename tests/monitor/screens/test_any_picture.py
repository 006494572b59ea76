"""Whatever a picture says and however large the window is, a screen fills it exactly, and what is not known is never a zero."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache

from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.engine.engine import Engine
from monitor.engine.picture import AlarmState, Picture, Priority
from monitor.screens import fromabove, views
from monitor.screens.ink import plain, width
from monitor.screens.layout import View, operator
from monitor.screens.safetyboard import SafetyView, safety
from replay.entries import Tick

from .conftest import alarm, rig_of

ZERO = re.compile(r"(?<![\d./])0(\.0+)? ?(mm|m\b|bar|in\b|psi|°|%|kN|lbf)")
"""A nought with a unit."""
RIGS = ("training-yard", "precast-beam", "three-high", "quarry-block", "block-on-cribs", "cushion-slab", "tall-machine")
STATES = [state for state in AlarmState if state is not AlarmState.NORMAL]


@cache
def first(rig: str) -> Picture:
    """What the engine says of a rig before anything was heard: nothing is known."""
    picture = Engine(rig_of(rig)).feed(Tick(0))
    assert picture is not None
    return picture


LENGTHS = st.none() | st.floats(-2.0, 30.0)


NUMBERS = st.none() | st.floats(-0.5, 0.5)


@st.composite
def pictures(draw):
    """(rig, picture): of one of the drills' rigs, with numbers that may be known and need not be likely."""
    name = draw(st.sampled_from(RIGS))
    rig, picture = rig_of(name), first(name)
    alarms = tuple(
        alarm(
            f"rule-{i}", draw(st.sampled_from(Priority)), draw(st.sampled_from(STATES)), "x" * draw(st.integers(1, 30))
        )
        for i in range(draw(st.integers(0, 12)))
    )
    lengths = {name: draw(LENGTHS) for name in ("lean_m", "lean_x_m", "lean_y_m", "height_m", "rise_m", "lean_bound_m")}
    known = draw(st.booleans())
    stacks = tuple(
        replace(it, lean_rate_m_s=draw(NUMBERS), lean_use=draw(NUMBERS), **lengths) if known else it
        for it in picture.stacks
    )
    load = {
        name: draw(NUMBERS) for name in ("rise_m", "rate_m_s", "bound_m", "z_m", "a", "b", "tilt_x_rad", "tilt_y_rad")
    }
    changed = replace(
        picture,
        zero=replace(picture.zero, taken_ns=draw(st.none() | st.just(0))),
        load=replace(picture.load, **load) if known else picture.load,
        balance=replace(picture.balance, tip_rad=draw(NUMBERS), tip_sd_rad=draw(NUMBERS)),
        shores=tuple(replace(it, gap_m=draw(NUMBERS), extension_m=draw(NUMBERS)) for it in picture.shores),
        fall_m=draw(st.none() | st.floats(0.0, 30.0)),
        held_by=draw(st.sampled_from([None, (), ("bags",), ("bags", "shores", "cribbing")])),
        stacks=stacks,
        alarms=alarms,
        stop_called=draw(st.none() | st.text(max_size=60)),
    )
    return rig, changed


def exact(lines, columns, rows) -> None:
    assert len(lines) == rows
    assert {width(line) for line in lines} == {columns}


@settings(max_examples=50, deadline=None)
@given(
    pictures(),
    st.integers(1, 220),
    st.integers(2, 70),
    st.sampled_from(["", "GONE: the operator's monitor has left"]),
    st.none() | st.integers(0, 15),
    st.none() | st.floats(0.0, 5.0),
    st.booleans(),
    st.sampled_from(["metric", "us"]),
)
def test_the_officers_screen_fills_any_window(of, columns, rows, trouble, chosen, called, shown, units):
    rig, picture = of
    rig = rig.model_copy(update={"rig": rig.rig.model_copy(update={"units": units})})
    view = SafetyView(rig, "x", trouble=trouble, old_s=9.0, chosen=chosen, called_s=called, help=shown, call="sent")
    exact(safety(picture, view, columns, rows), columns, rows)
    exact(safety(None, view, columns, rows), columns, rows)


@settings(max_examples=25, deadline=None)
@given(pictures(), st.integers(1, 220), st.integers(2, 70))
def test_the_operators_screen_fills_any_window(of, columns, rows):
    rig, picture = of
    exact(operator(picture, View(rig, "x", trends={"tilt": []}), columns, rows), columns, rows)


@settings(max_examples=25, deadline=None)
@given(pictures(), st.integers(1, 120), st.integers(3, 60), st.sampled_from(["metric", "us"]))
def test_the_drawings_fill_what_they_are_given(of, columns, rows, units):
    rig, picture = of
    exact(fromabove.plan(rig, picture, units, columns, rows), columns, rows)
    trail = [(picture.time_ns, 0.01, -0.02), (picture.time_ns, None, None)]
    for stack in picture.stacks:
        exact(fromabove.above(rig, stack, trail, units, columns, rows), columns, rows)
    exact(
        views.trend([(picture.time_ns, picture.fall_m)], picture.time_ns, units, max(12, columns), rows),
        max(12, columns),
        rows,
    )


@settings(max_examples=25, deadline=None)
@given(st.sampled_from([60, 80, 120, 160]), st.integers(8, 60), st.booleans(), st.sampled_from(["metric", "us"]))
def test_nothing_that_is_not_known_is_drawn_as_a_zero(columns, rows, zeroed, units):
    rig = rig_of("training-yard")
    rig = rig.model_copy(update={"rig": rig.rig.model_copy(update={"units": units})})
    picture = first("training-yard")
    if zeroed:
        picture = replace(picture, zero=replace(picture.zero, taken_ns=0))
    text = plain(safety(picture, SafetyView(rig, "x"), columns, rows))
    assert not ZERO.search(text), text
    assert "●" not in text, "no head where none is known"
    if rows >= 16:
        assert "NOT KNOWN" in text
        assert "what holds the load is not known" in text
    for stack in picture.stacks:
        drawn = plain(fromabove.above(rig, stack, (), units, 40, 12))
        assert "LEAN NOT KNOWN" in drawn
        assert "?" in drawn
        assert not ZERO.search(drawn)
