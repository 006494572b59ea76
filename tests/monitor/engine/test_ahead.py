"""What looks ahead sounds for a picture that is past its limit, and is quiet for one just short of it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.engine import ahead


@pytest.fixture
def scene(lift, clean_script):
    lift.play(clean_script, 13.0)  # the first fill, 40 mm up, 150 mm to come
    return lift.engine._scene(lift.pictures[-1], lift.engine.pose.estimate(lift.now_ns), lift.now_ns)


def changed(scene, **stack):
    return replace(scene, picture=replace(scene.picture, stacks=(replace(scene.picture.stacks[0], **stack),)))


@pytest.mark.parametrize(("at", "sounds"), [(0.149, True), (0.151, False), (None, False)])
def test_lean_ahead_looks_as_far_as_the_plan(scene, at, sounds):
    assert (ahead.lean_ahead(changed(scene, lean_at_rise_m=at), "S1").share > 1.0) is sounds


@pytest.mark.parametrize(("reach", "sounds"), [(0.38, True), (0.40, False)])
def test_reach_against_the_rise_still_planned(scene, reach, sounds):
    assert (ahead.reach(changed(scene, reach_m=reach), "S1").share > 1.0) is sounds


@pytest.mark.parametrize(("sink", "sounds"), [(0.0001, True), (None, False)])
def test_sinking_follows_the_estimator(scene, sink, sounds):
    assert (ahead.sinking(changed(scene, sink_m_s=sink), "S1").share > 1.0) is sounds


@pytest.mark.parametrize(("pressure", "rate", "sounds"), [(1.4, 2e4, True), (1.05, 2e4, False), (1.4, 0.0, False)])
def test_no_lift_needs_air_beyond_the_load_and_no_rise(scene, pressure, rate, sounds):
    stack = scene.picture.stacks[0]
    bag = stack.bags[1]
    full = replace(bag, pressure_pa=pressure * bag.needed_pa, rate_pa_s=rate)
    still = replace(scene.pose, x=(*scene.pose.x[:3], 0.0, 0.0, 0.0))
    there = replace(changed(scene, bags=(stack.bags[0], full)), pose=still)
    assert (ahead.no_lift(there, "S1-upper").share > 1.0) is sounds


def test_no_lift_is_quiet_while_the_stack_rises(scene):
    assert ahead.no_lift(scene, "S1-upper").share == 0.0
