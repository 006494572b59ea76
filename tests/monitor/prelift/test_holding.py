"""The pressure hold in simulated time. All readings are invented."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.prelift.holding import AT_MOST_NS, LIMIT_PA_S, Hold, Holding
from monitor.prelift.results import Outcome, Result

TICK_NS = 50_000_000


def held(
    yard,
    loss_pa_s: float,
    *,
    start: float = 1.5e5,
    noise: float = 1000.0,
    warm: bool = False,
    seed: int = 1,
    most=AT_MOST_NS,
) -> tuple[Result, float]:
    """(the result, seconds until there was one)."""
    rng = random.Random(seed)
    hold = Hold(yard.stack[0].bag[1], noise)
    for k in range(most // TICK_NS + 1):
        now_ns = k * TICK_NS
        pressure = max(0.0, start - loss_pa_s * now_ns * 1e-9) + rng.gauss(0.0, noise)
        hold.tick(now_ns, pressure, 293.15 if warm else None)
        if (result := hold.judge(whole=now_ns >= most)) is not None:
            return result, now_ns * 1e-9
    raise AssertionError("the last look always gives a result")


def test_a_tight_bag_holds_and_its_limit_is_stated(yard):
    result, seconds = held(yard, 0.0)
    assert result.outcome is Outcome.OK
    assert result.text.endswith("within the limit of 0.06 bar in 10 min (common practice, no source)")
    assert 80.0 < seconds < 120.0, "twenty seconds to cool and a line long enough to be sure"


def test_a_leaking_one_fails(yard):
    result, seconds = held(yard, 100.0)
    assert result.outcome is Outcome.WRONG
    assert "more than the limit" in result.text
    assert seconds < 90.0
    assert dict(result.figures)["loss_pa_s"] == pytest.approx(100.0, abs=15.0)


def test_a_bag_that_gains_air_has_not_held(yard):
    result, _ = held(yard, -100.0)
    assert result.outcome is Outcome.WRONG
    assert "a valve lets air in" in result.text


def test_what_is_not_known_of_a_rate_is_never_said_to_be_nothing(yard):
    """A gauge that trembles by 10 Pa: in 10 min it is sure to less than a thousandth of a bar, and not to nothing."""
    result, _ = held(yard, 0.0, noise=10.0)
    assert 0.0 < dict(result.figures)["loss_sd_pa_s"] * 600.0 < 50.0
    assert "± 0.001 bar in 10 min" in result.text


def test_with_a_thermometer_it_is_told_sooner(yard):
    assert held(yard, 100.0, noise=100.0, warm=True)[1] < 20.0
    assert held(yard, 0.0, noise=100.0, warm=True)[1] < 30.0


def test_it_cannot_be_said_before_enough_time(yard):
    result, _ = held(yard, 100.0, most=30_000_000_000)
    assert result.outcome is Outcome.OPEN
    assert result.text.startswith("not enough time: about 100 s")


def test_a_bag_that_lets_go_is_told_at_once(yard):
    result, seconds = held(yard, 8000.0)
    assert (result.outcome, seconds < 12.0) == (Outcome.WRONG, True)
    assert "bar in 9 s: look at its couplings" in result.text


def test_an_empty_bag_has_not_passed(yard):
    result, seconds = held(yard, 0.0, start=0.0)
    assert result.outcome is Outcome.OPEN
    assert "it has nothing to lose" in result.text
    assert seconds < 5.0


def test_near_the_limit_nothing_is_claimed(yard):
    assert held(yard, LIMIT_PA_S)[0].outcome is Outcome.UNSURE


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([0.0, 1.0, 40.0, 200.0]))
def test_it_never_says_the_opposite_of_the_truth(yard_rig, seed, loss):
    outcome = held(yard_rig, loss, seed=seed)[0].outcome
    assert outcome in ((Outcome.OK, Outcome.UNSURE) if loss < LIMIT_PA_S else (Outcome.WRONG, Outcome.UNSURE))


def test_a_gauge_that_is_silent_says_nothing(yard):
    hold = Hold(yard.stack[0].bag[1], 1000.0)
    hold.tick(0, None, None)
    assert hold.judge(whole=False) is None
    hold.tick(4_000_000_000, None, None)
    assert hold.judge(whole=False).outcome is Outcome.UNSURE


def test_a_load_that_moves_spoils_it(yard):
    from dataclasses import replace

    from drivers.reading import Reading
    from monitor.engine.engine import Engine
    from replay.entries import Tick

    engine, holding = Engine(yard), Holding(yard)
    for name in ("S1-lower-p", "S1-upper-p"):
        engine.accept(Reading(name, 0, 0, None, 1.5e5))
    picture = engine.tick(Tick(0))
    at = [replace(picture, load=replace(picture.load, rise_m=rise, rise_sd_m=0.0003)) for rise in (0.0, -0.002, -0.004)]
    assert holding.tick(at[0]) == []
    assert holding.tick(at[1]) == []
    results = holding.tick(at[2])
    assert [it.about for it in results] == ["S1-lower", "S1-upper"]
    assert {it.outcome for it in results} == {Outcome.UNSURE}
    assert results[0].text == "the load has sunk by 4 mm, which changes the bags' pressure"
