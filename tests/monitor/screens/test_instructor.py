"""The instructor's screen: every key, every state, and RECORDED with its date in all of them."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest

from monitor.screens import otherwise, timebar
from monitor.screens.ink import Role, plain, width
from monitor.screens.instructor import InstructorScreen
from monitor.screens.layout import CAUTIONS
from monitor.screens.replayed import HELP, KEYS, SPACE
from monitor.screens.safetyboard import SafetyView, safety

from .recordings import MarkStandIn, OtherStandIn, RecordedStandIn
from .walking import walked


def test_it_begins_at_the_first_picture_and_stands_still(recorded):
    app, text = walked(recorded, 3.0)
    assert recorded.asked[0] == (0, False)
    assert app._shown == 0
    assert text.startswith(" RECORDED 2026-03-01 09:30:00 UTC  NOT LIVE  ‖ paused x1  yard.jsonl")
    assert KEYS in text


@pytest.mark.parametrize(
    "keys",
    [
        (),
        ("p",),
        ("question_mark",),
        ("l",),
        ("w",),
        ("w", "right", "enter"),
        ("m",),
        ("s",),
        ("s", "5", "m"),
        ("space",),
        ("5",),
        ("end", "p", 1.0),
        ("t",),
        ("m", "'abc", "enter"),
    ],
)
@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
def test_every_state_says_recorded_with_its_date_first(recorded, keys, size):
    _, text = walked(recorded, *keys, size=size)
    assert text.startswith(" RECORDED 2026-03-01 09:3")
    assert "NOT LIVE" in text.splitlines()[0]


def test_what_is_wrong_with_the_files_is_counted_first_and_listed(recorded):
    recorded.faults = ["torn: it ends in the middle of line 70; all before that was played"]
    _, text = walked(recorded)
    assert "! 1 FAULT: l" in text.splitlines()[0]
    recorded.faults.append("LOST: 7 entries could not be kept when this was recorded")
    _, text = walked(recorded, "l")
    assert "! 2 FAULTS: l" in text.splitlines()[0]
    assert text.splitlines()[1] == f"! {recorded.faults[0]}"
    assert text.splitlines()[2] == f"! {recorded.faults[1]}"


def test_space_calls_nothing_and_says_so(recorded):
    app, text = walked(recorded, "p", 2.0, "space")
    assert text.splitlines()[-1] == SPACE
    assert app.at_last[0][0][1] is Role.UNKNOWN
    assert app.playing, "it does not pause either: a hand must not learn that it does"
    assert not recorded.noted
    for first in ("question_mark", "l", "w"):
        _, text = walked(recorded, first, "space")
        assert text.splitlines()[-1] == SPACE


def test_a_note_is_kept_at_its_moment_beside_the_recording(recorded):
    app, text = walked(recorded, "p", 4.0, "m", "'look", "space", "'here", "enter")
    assert recorded.noted == [(app.picture.time_ns, "look here")]
    assert "note kept beside the recording" in text
    assert not app.playing
    _, text = walked(recorded, "l")
    assert "m look here (trainer)" in text
    app, _ = walked(recorded, *"ffff", "n")
    assert app.picture.time_ns == recorded.noted[0][0]


def test_a_note_left_or_empty_keeps_nothing(recorded):
    app, _ = walked(recorded, "m", "'ab", "escape")
    assert not app.at_last[1]
    app, _ = walked(recorded, "m", "space", "enter")
    assert not app.at_last[1]
    assert recorded.noted == []


def test_a_note_that_cannot_be_kept_stays_and_is_said(recorded):
    recorded.refuses = "not kept: yard.notes.jsonl: Permission denied"
    app, text = walked(recorded, "m", "'gap", "enter")
    assert app.at_last[1:] == (True, "gap")
    assert recorded.refuses in text


def test_what_has_not_been_gone_through_comes_as_soon_as_it_can(recorded):
    recorded.known = 100
    app, text = walked(recorded, "5")
    assert f"{timebar.clock(recorded.end_ns // 2)} is shown as soon as it is come to" in text
    assert app._shown == 0
    assert " % of 0" in text

    async def go():
        recorded.known = 100
        app = InstructorScreen(recorded, clock=lambda: 0.0)
        async with app.run_test() as pilot:
            await pilot.press("5")
            recorded.known = 10**9
            app.redraw()
            await pilot.pause()
            return app._shown

    assert asyncio.run(go()) == recorded.number_at(recorded.end_ns // 2)


def test_a_key_takes_back_what_was_sought(recorded):
    recorded.known = 100
    app, _ = walked(recorded, "9", "left")
    assert app._sought_ns is None


def test_playing_waits_where_it_has_not_been_gone_through(recorded):
    recorded.known = 50
    app, _ = walked(recorded, "p", 5.0)
    assert app.playing
    assert app._shown == 49
    _, text = walked(recorded, *"nnnn")
    assert "all events: none yet, " in text
    assert " % is gone through: press n again" in text


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
def test_s_shows_the_same_moment_as_the_safety_officer_saw_it(rig, recorded, size):
    """The very drawing of the safety officer's screen, but for its keys, which act on a live session."""
    app, text = walked(recorded, "5", "s", 6.0, size=size)
    bottom = text.splitlines()
    seen = SafetyView(rig, recorded.name, app._heads.trails, app._minute.values["fall"])
    drawn = plain(safety(app.picture, seen, size[0], size[1])).splitlines()
    assert bottom[1] == drawn[0]
    assert "IF THE BAGS FAIL NOW, IT FALLS" in text
    assert text.startswith(" RECORDED 2026-03-01")
    assert not any("space STOP" in it for it in bottom), "no key of a live session is offered"
    assert "hindsight" in text, "the bar of time and what is known now stay"
    assert KEYS in text
    _, later = walked(recorded, "5", "s", "s", size=size)
    assert "as the operator saw it" in later
    assert "IF THE BAGS FAIL NOW, IT FALLS" not in later
    app, _ = walked(recorded, "s", "5", "right", "right", "1", size=size)
    assert [it[0] for it in app._heads.trails["S1"]][-1] == app.picture.time_ns, (
        "a trail begins anew where time went back"
    )


def test_light_and_dark_help_and_end(recorded):
    app, _ = walked(recorded, "t")
    assert app.day
    _, text = walked(recorded, "question_mark")
    for _, what in HELP:
        assert what in text
    for text_of in (*CAUTIONS, SPACE, *timebar.LEGEND):
        assert text_of in text
    _, text = walked(recorded, "question_mark", "x")
    assert KEYS in text
    app, _ = walked(recorded, "q")
    assert app._exit
    _, text = walked(recorded, "z", "x")
    assert KEYS in text, "keys of live screens do nothing here"


def test_no_picture_yet_and_none_at_all(rig, recorded):
    recorded.slow = True
    _, text = walked(recorded)
    assert "going through the recording" in text
    empty = RecordedStandIn(rig, (), started=None)
    _, text = walked(empty, "p", 1.0, "right", "n", "l", "enter", "5", "end")
    assert text.startswith(" RECORDED without a date  NOT LIVE")
    assert "there is no picture in this recording" in text


def test_trouble_is_said_until_it_is_over(recorded):
    recorded.trouble = "yard.jsonl: has changed since it was opened; open it again"
    _, text = walked(recorded)
    assert text.splitlines()[-1] == recorded.trouble


def test_it_is_drawn_anew_when_the_window_changes(recorded):
    async def go():
        app = InstructorScreen(recorded, clock=lambda: 0.0)
        async with app.run_test(size=(80, 24)) as pilot:
            await pilot.resize_terminal(120, 40)
            await pilot.pause()
            return [width(line) for line in app.sheet.lines]

    assert asyncio.run(go()) == [120] * 40


def test_w_chooses_other_limits_and_enter_runs_them(recorded):
    own = otherwise.of(recorded.rig)
    _, text = walked(recorded, "w")
    assert "OTHER LIMITS" in text
    assert "> capture_every  rise between two captures " in text
    assert f" {otherwise.in_words('capture_every', own['capture_every'], 'metric')}\n" in text
    _, text = walked(recorded, "w", "down", "right", "right")
    assert f"▸ {otherwise.in_words('rise_rate', own['rise_rate'] * 1.21, 'metric')}" in text
    assert recorded.tried == []
    _, text = walked(recorded, "w", "down", "right", "right", "enter")
    assert recorded.tried == [{"rise_rate": pytest.approx(own["rise_rate"] * 1.21)}]
    assert "runs again under rise_rate" in text
    assert "see under the bar, and l" in text
    _, text = walked(recorded, "w", "up", "left", "x")
    assert len(recorded.tried) == 1
    assert KEYS in text


def test_a_limit_made_larger_and_smaller_again_is_the_recordings_own(recorded):
    _, text = walked(recorded, "w", "right", "right", "left", "left", "enter")
    assert recorded.tried == [{}]
    assert "under its own limits alone" in text


def test_other_limits_stand_on_the_bar_and_in_the_list_and_may_be_gone_to(recorded):
    alarm = next(it for it in recorded.made if it.kind == "alarm")
    later = replace(alarm, number=alarm.number + 30, time_ns=alarm.time_ns + 1_500_000_000)
    alone = MarkStandIn(3, 3 * 50_000_000, "alarm", "CAUTION pace load: 2 mm/s, 1 mm/s allowed - slow down", "caution")
    recorded.other = OtherStandIn({"rise_rate": 0.006}, [alone, later])
    _, text = walked(recorded)
    bar = text.splitlines()[-4]
    assert bar.startswith("  instead C")
    _, text = walked(recorded, "l")
    assert "and under rise_rate 6.0 mm/s" in text
    assert "[only under these limits] CAUTION pace load" in text
    assert f"[1.5 s later] {alarm.text[:30]}" in text
    app, text = walked(recorded, "n")
    assert app._shown == 3
    _, text = walked(recorded, "w")
    assert "▸ 6.0 mm/s" in text, "one goes on from what was tried"


def test_r_asks_for_the_report_and_says_how_it_went(recorded):
    walked(recorded, "r")
    assert recorded.reports == 1
    recorded.reported = "the report is written: yard.report.html, beside the recording"
    said, _ = walked(recorded)
    assert plain([said.at_last[0]]).startswith("the report is written: yard.report.html")
    later, _ = walked(recorded, 6.0)
    assert "report is written" not in plain([later.at_last[0]])
