"""The rules of what follows the load: shores behind it and their air, and how far it is up uncaptured."""

from __future__ import annotations

import pytest

from monitor.rig.schema import Rig


def with_gap(script, gap):
    def stuck(t):
        it = script(t)
        it.gap_n1 = min(gap, max(0.001, it.rise * 4.6 / 4.2 - 0.020))
        return it

    return stuck


@pytest.mark.parametrize(
    ("gap", "expected"),
    [
        (0.0050, []),
        (0.0095, [("shore-behind", "N1", "warning")]),
        (0.0150, [("shore-behind", "N1", "warning"), ("shore-behind", "N1", "danger")]),
    ],
)
def test_shore_behind_sounds_past_its_allowance_and_twice_it(lift, clean_script, gap, expected):
    lift.play(with_gap(clean_script, gap), 13.8)
    assert lift.raised() == expected


def test_uncaptured_follows_a_shore_that_stays_stuck(lift, clean_script):
    lift.play(with_gap(clean_script, 1.0), 36.0)
    rules = [(rule, priority) for rule, _, priority in lift.raised()]
    assert rules == [
        ("shore-behind", "warning"),
        ("shore-behind", "danger"),
        ("uncaptured", "warning"),
        ("out-of-step", "caution"),  # the plan waits at its capture, and a bag is filled on
        ("uncaptured", "danger"),
    ]


def test_with_shores_following_a_long_fill_is_captured_all_the_way(lift, clean_script):
    lift.play(clean_script, 40.0)
    assert max(p.uncaptured_m or 0.0 for p in lift.pictures) < 0.001


def test_cribbing_marked_as_packed_captures(document, new_lift, clean_script):
    document["shore"] = []
    document["step"] = [s for s in document["step"] if s["do"] != "capture"]
    lift = new_lift(rig=Rig.model_validate(document))
    lift.play(clean_script, 11.5)  # 33 mm and nothing holds it
    assert lift.raised() == [("uncaptured", "load", "warning")]
    assert lift.act("cribbed").answer.ok
    lift.play(clean_script, 14.0)
    assert lift.raised() == [("uncaptured", "load", "warning")]
    assert lift.pictures[-1].uncaptured_m < 0.02


@pytest.mark.parametrize(("air", "expected"), [(1.7e5, []), (1.2e5, [("shore-air-low", "N1", "warning")])])
def test_shore_air_low_sounds_while_lifting(lift, clean_script, air, expected):
    def low(t):
        it = clean_script(t)
        it.air_n1 = air if 8.0 < t < 12.0 else 1.8e5
        return it

    lift.play(low, 19.0)
    assert lift.raised() == expected


def test_shore_air_matters_only_while_lifting(lift, clean_script):
    def low_at_rest(t):
        it = clean_script(t)
        it.air_n1 = 0.5e5 if t < 2.9 or 45.0 < t < 55.0 else 1.8e5
        return it

    lift.play(low_at_rest, 56.0)
    assert lift.raised() == []
