"""The checklist, the step of the plan, and the question whether a bag was taken off its line. All of it invented."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor import encode
from monitor.engine.ticking import Ticking
from monitor.rig.checklist import USUAL
from monitor.rig.schema import ChecklistItem, Rig


def listed(rig: Rig, *items: str) -> Rig:
    return rig.model_copy(update={"checklist": [ChecklistItem(item=item) for item in items]})


def count(lift, rule):
    return [it for it in lift.raised() if it[0] == rule]


def texts(lift, rule):
    return [t.alarm.text for p in lift.pictures for t in p.transitions if t.alarm.rule == rule]


class TestTicking:
    def test_without_a_list_the_usual_one_is_shown(self, lift, clean_script):
        picture = lift.play(clean_script, 0.5)
        assert [it.item for it in picture.checklist] == list(USUAL)
        assert not any(it.ticked for it in picture.checklist)

    def test_by_number_and_by_words_and_back(self, lift):
        assert lift.act("tick", item="3").answer.text == f"ticked: {USUAL[2]}"
        picture = lift.act("tick", item="Relief")
        assert [it.by for it in picture.checklist] == [None, None, "operator", None, None, None, "operator", None, None]
        picture = lift.act("tick", item="relief PATH clear")
        assert picture.answer.text == f"open again: {USUAL[6]}"
        assert sum(it.ticked for it in picture.checklist) == 1

    @pytest.mark.parametrize("words", ["0", "10", "matched tug", "the", "-1", "²", "99999999999999999999"])
    def test_what_is_no_one_item_is_refused_with_the_list(self, lift, words):
        picture = lift.act("tick", item=words)
        assert not picture.answer.ok
        assert "1 couplings fully seated" in picture.answer.text
        assert not any(it.ticked for it in picture.checklist)

    def test_it_is_published(self, lift):
        said = encode.picture(lift.act("tick", item="1"))
        assert said["checklist"][0] == {"item": USUAL[0], "who": None, "ticked": True, "by": "operator", "t": 0.0}
        assert said["checklist"][1]["by"] is None
        assert said["questions"] == []

    @given(st.text())
    def test_any_words_find_one_item_or_none(self, words):
        ticking = Ticking(replace_none())
        found = ticking.find(words)
        assert found is None or 0 <= found < len(ticking.items)


def replace_none():
    class Bare:
        checklist = ()

    return Bare()


class TestUnticked:
    def test_a_lift_begun_with_items_open_sounds(self, rig, new_lift, clean_script):
        lift = new_lift(rig=listed(rig, "regulator set", "nobody under the load"))
        lift.act("tick", item="regulator")
        lift.play(clean_script, 8.0)
        assert count(lift, "unticked") == [("unticked", "crew", "caution")]
        (text, *_) = texts(lift, "unticked")
        assert "1 of 2 open, first: nobody under the load" in text
        assert len(text) <= 80

    def test_with_all_ticked_it_is_silent(self, rig, new_lift, clean_script):
        lift = new_lift(rig=listed(rig, "regulator set", "nobody under the load"))
        lift.act("tick", item="1")
        lift.act("tick", item="2")
        lift.play(clean_script, 8.0)
        assert count(lift, "unticked") == []

    def test_before_anything_is_filled_it_is_silent(self, rig, new_lift, clean_script):
        lift = new_lift(rig=listed(rig, "regulator set"))
        lift.play(clean_script, 3.0)
        assert count(lift, "unticked") == []

    def test_the_usual_list_is_watched_once_somebody_has_begun(self, new_lift, clean_script):
        untouched, begun = new_lift(), new_lift()
        begun.act("tick", item="1")
        untouched.play(clean_script, 8.0)
        begun.play(clean_script, 8.0)
        assert count(untouched, "unticked") == []
        assert count(begun, "unticked") == [("unticked", "crew", "caution")]

    def test_the_longest_item_fits_the_line(self, rig, new_lift, clean_script):
        lift = new_lift(rig=listed(rig, "x" * 72))
        lift.play(clean_script, 8.0)
        assert all(len(text) <= 80 for text in texts(lift, "unticked"))


def held_at_80(script):
    """The clean lift up to 80 mm by its lower bag, and no further."""
    return lambda t: script(min(t, 25.5))


class TestOutOfStep:
    def test_the_whole_plan_as_it_should_go_is_silent(self, lift, clean_script):
        lift.play(clean_script, 100.0)
        assert count(lift, "out-of-step") == []

    def test_filling_in_a_hold_sounds(self, rig, new_lift, clean_script):
        rig = rig.model_copy(update={"step": [rig.step[0], rig.step[4].model_copy(update={"for_": 60.0})]})
        lift = new_lift(rig=rig)
        lift.play(lambda t: clean_script(t if t < 17.5 else max(17.5, t - 6.0)), 34.0)
        assert ("out-of-step", "S1-lower", "caution") in lift.raised()
        assert all(len(text) <= 80 for text in texts(lift, "out-of-step"))
        assert "filling in hold" in texts(lift, "out-of-step")[0]
        assert not {"bag-order", "bag-early"} & {rule for rule, *_ in lift.raised()}

    def test_motion_carried_over_into_a_hold_is_silent(self, rig, new_lift, clean_script):
        rig = rig.model_copy(update={"step": [rig.step[0], rig.step[4].model_copy(update={"for_": 60.0})]})
        lift = new_lift(rig=rig)
        lift.play(lambda t: clean_script(min(t, 17.0)), 30.0)
        assert lift.pictures[-1].step.number == 2
        assert count(lift, "out-of-step") == []

    def test_venting_in_a_fill_step_sounds(self, lift, clean_script):
        lift.play(lambda t: clean_script(t if t < 12.0 else max(6.0, 24.0 - t)), 18.0)
        assert ("out-of-step", "S1-upper", "caution") in lift.raised()

    def test_after_the_end_a_load_that_goes_up_sounds(self, rig, new_lift, clean_script):
        lift = new_lift(rig=rig.model_copy(update={"step": rig.step[:1]}))
        lift.play(clean_script, 34.0)
        assert lift.pictures[-1].step is None
        assert "plan ended" in texts(lift, "out-of-step")[0]


class TestIsolated:
    def script(self, clean_script, *, sink=0.0, seconds=1.0):
        def at(t):
            it = clean_script(min(t, 50.0))
            if t > 50.0:
                gone = min(1.0, (t - 50.0) / seconds)
                it = replace(it, lower=it.lower * (1.0 - gone), rise=it.rise - sink * gone)
            return it

        return at

    def test_a_gauge_that_falls_to_nothing_under_a_load_that_stands_is_asked_about(self, new_lift, clean_script):
        lift = new_lift()
        lift.play(self.script(clean_script), 49.0)
        before = lift.pictures[-1].stacks[0].bags[0]
        picture = lift.play(self.script(clean_script), 56.0)
        (question,) = picture.questions
        assert question.text == "S1-lower: isolated? press i, or look at its coupling"
        bag = picture.stacks[0].bags[0]
        assert bag.pressure_pa is None
        assert bag.height_m == pytest.approx(before.height_m, abs=0.008)
        assert count(lift, "out-of-step") == []
        assert encode.picture(picture)["questions"][0]["about"] == "S1-lower"

    def test_once_answered_it_is_not_asked_again(self, new_lift, clean_script):
        lift = new_lift()
        lift.play(self.script(clean_script), 53.0)
        assert lift.act("isolate", bag="S1-lower").answer.ok
        assert lift.play(self.script(clean_script), 58.0).questions == ()

    def test_a_gauge_that_comes_back_answers_it(self, new_lift, clean_script):
        lift = new_lift()
        lift.play(self.script(clean_script), 53.0)
        assert lift.play(lambda t: clean_script(50.0), 57.0).questions == ()
        assert lift.pictures[-1].stacks[0].bags[0].pressure_pa is not None

    @pytest.mark.parametrize(("sink", "seconds"), [(0.03, 2.0), (0.0, 12.0)])
    def test_a_load_that_comes_down_or_a_gauge_that_takes_its_time_is_no_question(
        self, new_lift, clean_script, sink, seconds
    ):
        lift = new_lift()
        lift.play(self.script(clean_script, sink=sink, seconds=seconds), 64.0)
        assert all(picture.questions == () for picture in lift.pictures)
