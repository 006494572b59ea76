"""A recording as drawings: exact at any size, live beside hindsight, against the plan, its bar of time, other limits."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor import quantities as show
from monitor.engine.picture import Question
from monitor.screens import otherwise, timebar
from monitor.screens.ink import plain, width
from monitor.screens.replayed import HELP, KEYS, SPACE, ReplayView, against_plan, compared, fine, replayed

from .recordings import MarkStandIn, OtherStandIn, RecordedStandIn, lift

SIZES = [(80, 24), (120, 40), (160, 48), (60, 20), (40, 12), (20, 6), (250, 80), (81, 30), (10, 3)]
SECOND_NS = 1_000_000_000


@pytest.fixture
def recorded(rig, demo) -> RecordedStandIn:
    return lift(rig, demo)


def test_what_space_says_fits(recorded):
    assert len(SPACE) <= 71
    assert len(KEYS) <= 80
    assert all(len(text) <= 78 for text in timebar.LEGEND)
    assert all(len(what) <= 71 for _, what in HELP)


@pytest.mark.parametrize(("columns", "rows"), SIZES)
def test_the_screen_fills_exactly_its_size(rig, demo, recorded, columns, rows):
    it = recorded
    for picture in (None, demo[0], demo[400], demo[-1]):
        for shown in (
            {},
            {"help": True},
            {"chosen": 3},
            {"typing": True},
            {"message": "said"},
            {"limits": {"tilt": 0.1}},
            {"officer": True},
        ):
            view = ReplayView(
                rig, it.name, it.started, 400 * 50_000_000, it.end_ns, it.end_ns, times=it.times, rises=it.rises,
                marks=it.made, **shown,
            )  # fmt: skip
            lines = replayed(picture, view, columns, rows)
            assert len(lines) == rows
            assert {width(line) for line in lines} == {columns}
            assert plain(lines[:1]).startswith(" RECORDED"[: columns - 1])


def view_at(rig, it, picture, **more) -> ReplayView:
    return ReplayView(
        rig, it.name, it.started, picture.time_ns, it.end_ns, it.end_ns, True, 1.0, times=it.times, rises=it.rises,
        marks=it.made, looked_back=it.looked_back(it.pictures.index(picture)), **more,
    )  # fmt: skip


def test_live_and_hindsight_stand_side_by_side(rig, demo, recorded):
    picture = next(p for p in demo if p.load.rise_m and p.load.rise_m > 0.03)
    text = plain(replayed(picture, view_at(rig, recorded, picture), 80, 24))
    live, later = fine(picture.load.rise_m, "metric"), fine(picture.load.rise_m + 0.0004, "metric")
    assert f"rise live {live:>9} hindsight {later:>9}" in text
    assert f"▸ {show.angle(picture.load.tilt_x_rad + 0.0002)}" in text
    assert fine(0.0254, "us") == "1.00 in"
    assert fine(-0.00001, "metric") == "0.0 mm"
    assert fine(None, "us") == "--"


def test_the_estimate_stands_against_the_plan(rig, demo, recorded):
    picture = next(p for p in demo if p.step and p.load.rise_m and p.load.rise_m > 0.02 and p.step.number == 1)
    text = plain(replayed(picture, view_at(rig, recorded, picture), 120, 40))
    assert (
        f"step 1 stops at {rig.step[0].until.rise * 1e3:.0f} mm at S1  now {fine(picture.load.rise_m, 'metric')}"
        in text
    )
    ended = next(it for it in recorded.made if it.kind == "step" and it.word == "2")
    assert f"when it ended {fine(recorded.rises['S1'][ended.number], 'metric')}" in text
    found = timebar.stops(rig, recorded.made, "S1", recorded.end_ns)
    assert found[0] == (recorded.made[0].time_ns if recorded.made[0].word == "1" else found[0][0], ended.time_ns, 0.06)
    assert "no rise to stop at" in plain(replayed(demo[0], view_at(rig, recorded, demo[0]), 120, 40))


def test_before_any_step_there_is_no_plan_to_draw(rig, demo, recorded):
    assert timebar.stops(rig, [], "S1", recorded.end_ns) == []
    recorded.made = []
    text = plain(replayed(demo[0], view_at(rig, recorded, demo[0]), 120, 40))
    assert "nothing has happened yet" in text
    empty = replace(view_at(rig, recorded, demo[0]), times=[], rises={"S1": []}, known_ns=0, end_ns=0, whole=False)
    assert "rise S1" in plain(replayed(demo[0], empty, 120, 40))


def test_what_the_monitor_asked_a_person_then_is_still_shown(rig, demo, recorded):
    picture = replace(demo[400], questions=(Question("S1-upper", "Is S1-upper off its hose? i says so", 1),))
    view = view_at(rig, recorded, demo[400])
    assert "Is S1-upper off its hose? i says so" in plain(replayed(picture, view, 80, 24))
    assert "space STOP" not in plain(replayed(demo[400], view, 80, 24)), "the keys of a live screen"


def test_a_date_beyond_all_calendars_is_no_trouble(rig, demo, recorded):
    view = replace(view_at(rig, recorded, demo[400]), at_ns=10**30)
    assert plain(replayed(demo[400], view, 80, 24)).startswith(" RECORDED 2026-03-01  NOT LIVE")


def bar_of(*marks, at_s=50, known_s=100, end_s=100, columns=116) -> tuple[str, str]:
    them = [MarkStandIn(0, round(s * SECOND_NS), kind, "", word) for s, kind, word in marks]
    lines = timebar.bar(them, at_s * SECOND_NS, known_s * SECOND_NS, end_s * SECOND_NS, columns)
    letters, line = (("".join(text for text, _ in it)) for it in lines)
    return letters, line


def test_the_bar_shows_where_one_is_and_what_is_known():
    _, line = bar_of(known_s=80)
    assert line.startswith("    00:50 ━")
    assert line.endswith("· 01:40")
    assert line.index("┃") == timebar.LABEL + 50
    assert line.count("·") == 100 - 81


def test_each_kind_has_a_letter_and_the_gravest_wins():
    letters, _ = bar_of(
        (0, "alarm", "danger"), (10, "alarm", "warning"), (20, "alarm", "caution"), (30, "alarm", "notice"), (40, "step", "2"),
        (50, "step", "12"), (55, "step", ""), (60, "action", "stop"), (70, "action", "zero"), (80, "notice", ""), (90, "note", ""),
        (10.2, "note", ""), (40.1, "action", "zero"), (60.1, "alarm", "caution"), (100, "alarm", "danger"),
    )  # fmt: skip
    assert letters.split() == ["D", "W", "C", "n", "2", "#", "e", "S", "+", "~", "m", "D"]
    assert letters.index("D") == timebar.LABEL


def test_letters_of_one_look_are_one_piece():
    assert len(timebar.bar([], 0, 0, SECOND_NS, 200)[0]) <= 3


def test_long_sessions_show_hours():
    assert timebar.clock(3_599 * SECOND_NS) == "59:59"
    assert timebar.clock(5 * SECOND_NS, 7200 * SECOND_NS) == "0:00:05"
    assert timebar.clock(3_725 * SECOND_NS) == "1:02:05"


def test_us_units_throughout(demo, recorded):
    us = recorded.rig.rig.model_copy(update={"units": "us"})
    rig = recorded.rig.model_copy(update={"rig": us})
    picture = next(p for p in demo if p.load.rise_m and p.load.rise_m > 0.03)
    view = view_at(rig, recorded, picture)
    text = plain([compared(picture, view, 120), against_plan(picture, view, 120)])
    assert f"{picture.load.rise_m / 0.0254:.2f} in" in text
    assert "stops at 2 3/8 in at S1" in text
    assert " mm" not in text


def test_what_became_of_each_alarm():
    def alarm(at_s, text):
        return MarkStandIn(0, round(at_s * SECOND_NS), "alarm", text, "caution")

    then = [
        alarm(1, "CAUTION a x: 1"),
        alarm(5, "CAUTION a x: 2"),
        MarkStandIn(0, 2 * SECOND_NS, "step", "step 1", "1"),
    ]
    now = [alarm(1.05, "CAUTION a x: 7"), alarm(0.5, "CAUTION b y: 1")]
    told = otherwise.events(then, OtherStandIn({}, now))
    assert [(it.text, became) for it, became in told] == [
        ("CAUTION b y: 1", "only under these limits"),
        ("CAUTION a x: 1", "as then"),
        ("step 1", ""),
        ("CAUTION a x: 2", "not under these limits"),
    ]
    told = otherwise.events(then, OtherStandIn({}, now, known_ns=2 * SECOND_NS, whole=False))
    assert told[-1][1] == "not come to yet"
    assert otherwise.events(then, OtherStandIn({}, [alarm(0.2, "CAUTION a x: 7")]))[0][1] == "0.8 s earlier"
    assert otherwise.events(then, None) == [(it, "") for it in then]


def test_limits_are_read_in_the_rigs_own_units(rig):
    assert [otherwise.in_words(name, 0.1, "us") for name in otherwise.NAMES] == [
        "3 15/16 in", "3.94 in/s", "5.73°", "5.73°", "10 %", "3 15/16 in"
    ]  # fmt: skip
    assert otherwise.changed(rig, {"tilt": 0.1, "rise_rate": rig.limits.rise_rate}) == "tilt 5.73°"
    assert set(otherwise.NAMES) == set(type(rig.limits).model_fields), "every limit of a rig file may be tried"
