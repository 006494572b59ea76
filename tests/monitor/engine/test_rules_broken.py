"""A rule that breaks: it is unknown loudly, and the others go on. The faults are put in."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.engine.engine import Engine
from monitor.engine.rules import RULES
from monitor.engine.watch import Watch
from monitor.rig.schema import Rig


@pytest.mark.parametrize("broken", range(len(RULES)), ids=lambda i: f"{RULES[i].name}-{RULES[i].priority.word}")
def test_a_rule_that_breaks_is_unknown_loudly_and_the_others_go_on(document, new_lift, moment, broken):
    document["crib"] = [{"name": "C1", "at": ["4.0 m", "0 m"], "width": "0.6 m"}]  # so that every rule has a place
    rig = Rig.model_validate(document)

    def breaks(scene, about):
        raise ZeroDivisionError("a fault put in")

    table = tuple(replace(rule, look=breaks) if i == broken else rule for i, rule in enumerate(RULES))
    lift = new_lift(engine=Engine(rig, Watch(table)))
    silent = ("H1",) if RULES[broken].odd_only else ()  # of a channel that nothing is odd about such a row is not asked
    lift.play(lambda t: moment(silent=silent), 3.0)
    lift.act("stop", reason="x")
    name = RULES[broken].name
    abouts = {about for rule, about, priority in lift.raised() if (rule, priority) == (name, "danger")}
    assert abouts
    assert any(blind.rule == name and "failed" in blind.because for blind in lift.pictures[-1].blind)
    assert any("rule failed: ZeroDivisionError" in alarm.text for alarm in lift.pictures[-1].alarms)
    if name != "stop-called":
        assert ("stop-called", "crew", "danger") in lift.raised()


def test_what_a_failed_rule_cannot_say_is_no_root_and_no_flood(rig, new_lift, moment):
    def breaks(scene, about):
        raise ZeroDivisionError("a fault put in")

    names = ("slip", "lean", "link-lost", "flood")
    table = tuple(replace(rule, look=breaks) if rule.name in names else rule for rule in RULES)
    lift = new_lift(engine=Engine(rig, Watch(table)))
    picture = lift.play(lambda t: moment(silent=("H1",)), 5.0)
    failed = [it for it in picture.alarms if "rule failed" in it.text]
    assert {it.rule for it in failed} == set(names)
    assert not picture.flood
    assert all(it.under is None for it in picture.alarms if it not in failed)
    assert not any(row.latch or row.root_of for row in lift.engine.watch.book._rules[: len(RULES)])
