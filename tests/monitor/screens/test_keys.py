"""The operator's keys, on the real screen: one press each, asked once where it cannot be undone."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest

from monitor.engine.picture import AlarmState, Answer, ItemPicture, Priority, Question
from monitor.rig.schema import Crib
from monitor.screens.ink import plain
from monitor.screens.operator import OperatorScreen
from monitor.screens.sheet import Sheet


def screen_test(feed, keys, size=(80, 24), before=None, **options):
    """Press keys on a screen; returns what it showed at the end."""

    async def go() -> str:
        app = OperatorScreen(feed, **options)
        async with app.run_test(size=size) as pilot:
            if before is not None:
                before(app)
                await pilot.pause()
            for key in keys:
                await pilot.press(key)
            await pilot.pause()
            return plain(app.sheet.lines)

    return asyncio.run(go())


def waiting(feed, make_alarm, *states_and_priorities):
    feed.change(
        alarms=tuple(
            make_alarm(f"rule-{i}", priority, state) for i, (state, priority) in enumerate(states_and_priorities)
        )
    )


def test_space_calls_stop_at_once(feed):
    screen_test(feed, ["space"])
    assert feed.sent == [("stop", {"reason": "operator's screen"})]


@pytest.mark.parametrize("first", ["question_mark", "z", "q", "k", "l", "i", "u", "x"])
def test_space_calls_stop_whatever_is_shown_or_asked(feed, first):
    screen_test(feed, [first, "space"])
    assert feed.sent == [("stop", {"reason": "operator's screen"})]


@pytest.mark.parametrize(
    ("key", "sent"),
    [("c", ("clear-stop", {})), ("z", ("zero", {})), ("b", ("back", {})), ("n", ("next", {})), ("x", ("abandon", {}))],
)
def test_what_cannot_be_undone_is_asked_once(feed, key, sent):
    shown = screen_test(feed, [key])
    assert f"{key} again does it, any other key leaves it" in shown
    assert feed.sent == []
    screen_test(feed, [key, "y"])
    assert feed.sent == []
    screen_test(feed, [key, key])
    assert feed.sent == [sent]


def test_the_first_zero_and_a_step_at_its_stop_need_no_question(feed, demo):
    feed.picture = demo[10]
    screen_test(feed, ["z"])
    feed.picture = next(p for p in demo if p.step)
    feed.change(step=replace(feed.picture.step, done=True))
    screen_test(feed, ["n"])
    assert feed.sent == [("zero", {}), ("next", {})]


def test_a_bag_vented_to_a_stop_is_asked_about_before_it_and_one_vented_for_good_never(feed, demo):
    feed.picture = next(p for p in demo if p.step)
    number = feed.picture.step.number
    steps = tuple(replace(it, do="vent") if it.number == number else it for it in feed.picture.steps)
    feed.change(steps=steps, step=replace(feed.picture.step, done=False, progress=0.4, left="20 mm to go"))
    assert "The stop is not reached, 20 mm to go" in screen_test(feed, ["n"])
    assert feed.sent == []
    feed.change(step=replace(feed.picture.step, progress=None))
    screen_test(feed, ["n"])
    assert feed.sent == [("next", {})]


def test_a_acknowledges_the_top_new_alarm_that_is_shown(feed, make_alarm):
    waiting(feed, make_alarm, (AlarmState.ACKNOWLEDGED, Priority.DANGER), (AlarmState.UNACKNOWLEDGED, Priority.WARNING))
    screen_test(feed, ["a"])
    assert feed.sent == [("acknowledge", {"rule": "rule-1", "about": "S1"})]


def test_only_what_is_shown_is_acknowledged(feed, make_alarm):
    waiting(
        feed,
        make_alarm,
        *[(AlarmState.ACKNOWLEDGED, Priority.DANGER)] * 5,
        (AlarmState.UNACKNOWLEDGED, Priority.WARNING),
    )
    assert "no new alarm" in screen_test(feed, ["a"])
    assert feed.sent == []


def test_h_shelves_no_danger(feed, make_alarm):
    waiting(feed, make_alarm, (AlarmState.UNACKNOWLEDGED, Priority.DANGER))
    assert "a danger never is" in screen_test(feed, ["h"])
    waiting(
        feed, make_alarm, (AlarmState.UNACKNOWLEDGED, Priority.DANGER), (AlarmState.UNACKNOWLEDGED, Priority.CAUTION)
    )
    screen_test(feed, ["h"])
    assert feed.sent == [("shelve", {"rule": "rule-1", "about": "S1", "for_s": 60.0})]


def test_r_resets_what_is_gone_and_seen(feed, make_alarm):
    waiting(feed, make_alarm, (AlarmState.ACKNOWLEDGED, Priority.DANGER), (AlarmState.RETURNED, Priority.DANGER))
    assert "nothing to reset" in screen_test(feed, ["r"])
    assert feed.sent == []
    standing, returned = feed.picture.alarms
    feed.change(alarms=(standing, returned, replace(standing, rule="slip", active=False)))
    screen_test(feed, ["r"])
    assert feed.sent == [("reset", {"rule": "slip", "about": "S1"})]


def test_k_marks_cribbing_at_a_height_the_arrows_change(feed):
    rise = feed.picture.load.rise_m
    shown = screen_test(feed, ["k"])
    assert f"Cribbing packed at S1, {rise * 1e3:.0f} mm? k again marks it, ↑↓ height" in shown
    screen_test(feed, ["k", "up", "up", "down", "k"])
    assert feed.sent == [("cribbed", {"at": "S1", "height_m": pytest.approx(rise + 0.005)})]


def test_k_marks_one_of_the_rigs_cribs(feed):
    cribs = [Crib(name="C1", at=(1.0, 0.0), width=0.6), Crib(name="C2", at=(2.0, 0.5), width=0.6)]
    feed.rig = feed.rig.model_copy(update={"crib": cribs})
    feed.change(load=replace(feed.picture.load, z_m=0.001, a=0.01, b=0.002))
    shown = screen_test(feed, ["k"])
    assert "Cribbing packed at C1, 11 mm? k again marks it, ↑↓ height, ←→ place" in shown, "asked, not yet said"
    screen_test(feed, ["k", "right", "k"])
    assert feed.sent == [("cribbed", {"at": "C2", "height_m": pytest.approx(0.001 + 0.02 + 0.001)})]


@pytest.mark.parametrize(
    ("keys", "sent"),
    [
        (["i", "i"], ("isolate", {"bag": "S1-lower"})),
        (["i", "down", "i"], ("isolate", {"bag": "S1-upper"})),
        (["u", "up", "u"], ("release", {"shore": "N2"})),
    ],
)
def test_a_bag_or_a_shore_is_chosen_with_the_arrows(feed, keys, sent):
    assert "up and down choose" in screen_test(feed, keys[:1])
    feed.sent.clear()
    screen_test(feed, keys)
    assert feed.sent == [sent]


def test_what_the_monitor_asks_is_shown_and_chosen_first(feed):
    question = Question("S1-upper", "S1-upper: isolated? press i, or look at its coupling", 0)
    feed.change(questions=(question,), answer=None)
    assert "S1-upper: isolated?" in screen_test(feed, [])
    screen_test(feed, ["i", "i"])
    assert feed.sent == [("isolate", {"bag": "S1-upper"})]


def test_the_checklist_is_gone_through_with_arrows_and_enter(feed):
    items = tuple(ItemPicture(f"item {i}", None, "me" if i == 0 else None, 5 if i == 0 else None) for i in range(30))
    feed.change(checklist=items)
    shown = screen_test(feed, ["l"])
    assert "CHECKLIST  1 of 30 ticked" in shown
    assert "> [ ] item 1" in shown
    assert "[x] item 0" in shown
    assert "> [ ] item 29" in screen_test(feed, ["l", "up", "up"])
    screen_test(feed, ["l", "down", "enter", "enter"])
    assert feed.sent == [("tick", {"item": "3"}), ("tick", {"item": "4"})]
    assert "CHECKLIST" not in screen_test(feed, ["l", "y"])
    feed.change(checklist=tuple(replace(it, ticked_ns=5) for it in items))
    assert "all done" in screen_test(feed, ["l"])


def test_a_note_is_typed_and_its_spaces_are_spaces(feed):
    screen_test(feed, ["m", *"wind", "space", *"up", "enter", "space"])
    assert feed.sent == [("note", {"text": "wind up"}), ("stop", {"reason": "operator's screen"})]


def test_escape_leaves_a_note(feed):
    screen_test(feed, ["m", "x", "escape", "space"])
    assert feed.sent == [("stop", {"reason": "operator's screen"})]


def test_help_comes_and_goes(feed):
    assert "any key goes back" in screen_test(feed, ["question_mark"])
    assert "any key goes back" not in screen_test(feed, ["question_mark", "x"])


def test_quitting_is_asked(feed):
    assert "nobody watches then" in screen_test(feed, ["q"])

    async def go() -> bool:
        app = OperatorScreen(feed)
        async with app.run_test() as pilot:
            await pilot.press("q", "q")
            await pilot.pause()
            return app._exit

    assert asyncio.run(go())


def test_refusals_are_shown(feed):
    feed.change(answer=Answer(5, "zero", False, "no zero: H1 is moving"))
    assert "REFUSED: no zero: H1 is moving" in screen_test(feed, [])


def test_before_the_first_picture_keys_do_nothing_but_stop(feed):
    feed.picture = None
    assert "waiting for the first picture" in screen_test(feed, ["z", "n", "space"])
    assert feed.sent == [("stop", {"reason": "operator's screen"})]


def test_a_picture_that_does_not_change_is_a_monitor_that_has_stopped(feed):
    now = [0.0]

    async def go() -> str:
        app = OperatorScreen(feed, clock=lambda: now[0])
        async with app.run_test() as pilot:
            now[0] = 0.9
            app.redraw()
            assert "STOPPED" not in plain(app.sheet.lines)
            now[0] = 1.6
            app.redraw()
            await pilot.pause()
            return plain(app.sheet.lines)

    assert asyncio.run(go()).startswith("THE MONITOR HAS STOPPED: no picture for 2 s")


@pytest.mark.parametrize(
    ("priority", "state", "bell", "rings"),
    [
        (Priority.DANGER, AlarmState.UNACKNOWLEDGED, True, 8),
        (Priority.WARNING, AlarmState.UNACKNOWLEDGED, True, 3),
        (Priority.CAUTION, AlarmState.UNACKNOWLEDGED, True, 1),
        (Priority.NOTICE, AlarmState.UNACKNOWLEDGED, True, 0),
        (Priority.DANGER, AlarmState.ACKNOWLEDGED, True, 0),
        (Priority.DANGER, AlarmState.UNACKNOWLEDGED, False, 0),
    ],
)
def test_the_bell_repeats_until_it_is_seen(feed, make_alarm, priority, state, bell, rings):
    waiting(feed, make_alarm, (state, priority))
    now, rung = [0.0], []

    async def go() -> None:
        app = OperatorScreen(feed, bell=bell, clock=lambda: now[0])
        app.bell = lambda: rung.append(now[0])
        async with app.run_test():
            for tenth in range(1, 68):
                now[0] = tenth / 10
                feed.picture = replace(feed.picture, time_ns=feed.picture.time_ns + 1)  # it has not stopped
                app.redraw()

    asyncio.run(go())
    assert len(rung) == rings


def test_a_sound_that_cannot_be_had_is_a_sentence_and_the_bell_goes_on(feed, make_alarm):
    waiting(feed, make_alarm, (AlarmState.UNACKNOWLEDGED, Priority.DANGER))
    rung = []

    async def go() -> str:
        app = OperatorScreen(feed, bell=False, sound="no-such-horn --loud", clock=lambda: 0.0)
        app.bell = lambda: rung.append(True)
        async with app.run_test(size=(80, 24)) as pilot:
            await pilot.pause()
            return plain(app.sheet.lines)

    assert "sound: 'no-such-horn' is not there; the bell goes on" in asyncio.run(go())
    assert rung


def test_a_window_may_be_resized_while_it_runs(feed):
    async def go() -> None:
        app = OperatorScreen(feed)
        async with app.run_test(size=(120, 40)) as pilot:
            for size in ((80, 24), (30, 8), (200, 60)):
                await pilot.resize_terminal(*size)
                await pilot.pause()
                await pilot.pause()
                assert len(app.sheet.lines) == size[1]

    asyncio.run(go())


def test_light_and_dark(feed):
    async def go() -> tuple[str, str]:
        app = OperatorScreen(feed)
        async with app.run_test() as pilot:
            night = app.sheet.render_line(0)
            await pilot.press("t")
            await pilot.pause()
            return str(next(iter(night)).style.bgcolor), str(next(iter(app.sheet.render_line(0))).style.bgcolor)

    night, day = asyncio.run(go())
    assert night != day


def test_only_the_rows_that_changed_are_drawn_again(feed, demo):
    drawn = []

    async def go() -> None:
        app = OperatorScreen(feed)
        async with app.run_test(size=(120, 40)) as pilot:
            await pilot.pause()
            app.sheet.refresh = lambda *regions, **_: drawn.append(regions)
            at = demo.index(feed.picture)
            feed.picture = demo[at + 2]
            app.redraw()

    asyncio.run(go())
    assert drawn
    assert 0 < len(drawn[0]) < 30


def test_without_colour_every_state_still_reads(feed, leaning, monkeypatch):
    monkeypatch.setenv("NO_COLOR", "1")
    feed.picture = leaning
    assert screen_test(feed, []).startswith("DANGER ◆lean S1")


def test_a_redraw_while_the_window_closes_finds_no_sheet_and_leaves_it(feed):
    async def go() -> None:
        app = OperatorScreen(feed, bell=False)
        async with app.run_test():
            await app.sheet.remove()
            app.redraw()
            assert not app.query(Sheet)

    asyncio.run(go())


def test_the_card_of_the_start_stands_until_a_key_that_does_nothing_else(feed):
    assert "BEFORE YOU BEGIN" not in screen_test(feed, [])
    assert "BEFORE YOU BEGIN" in screen_test(feed, [], card=True)
    shown = screen_test(feed, ["z"], card=True)
    assert "BEFORE YOU BEGIN" not in shown
    assert "again does it" not in shown
    assert feed.sent == []


def test_the_card_says_that_a_question_mark_lists_the_keys_and_it_does(feed):
    shown = screen_test(feed, ["question_mark"], card=True)
    assert "KEYS" in shown
    assert "BEFORE YOU BEGIN" not in shown


def test_space_calls_stop_over_the_card_and_takes_it_away(feed):
    assert "BEFORE YOU BEGIN" not in screen_test(feed, ["space"], card=True)
    assert feed.sent == [("stop", {"reason": "operator's screen"})]


def test_a_space_before_a_note_calls_stop(feed):
    screen_test(feed, ["m", "space", "x", "space", "y", "enter"])
    assert feed.sent == [("stop", {"reason": "operator's screen"}), ("note", {"text": "x y"})]


def test_the_operator_is_told_why_pictures_cannot_be_trusted(feed):
    feed.trouble = "FROZEN: the pictures stand still"
    assert screen_test(feed, []).startswith("FROZEN: the pictures stand still")


def test_nothing_flashes(feed, leaning):
    """The same picture drawn again and again, an unseen danger in it, changes no row."""
    feed.picture = leaning
    drawn = []

    async def go() -> None:
        now = [0.0]
        app = OperatorScreen(feed, clock=lambda: now[0])
        async with app.run_test(size=(160, 48)):
            app.sheet.refresh = lambda *regions, **_: drawn.append(regions)
            for tenth in range(10):
                now[0] = tenth / 10
                app.redraw()

    asyncio.run(go())
    assert drawn == []


def test_the_trends_keep_a_minute_and_the_trails_three(feed, demo):
    async def go() -> None:
        app = OperatorScreen(feed)
        async with app.run_test(size=(160, 48)):
            for picture in demo[::4]:
                feed.picture = picture
                app.redraw()
            tilts, trail = app._view.trends["tilt"], app._view.trails["S1"]
            assert 55e9 < tilts[-1][0] - tilts[0][0] <= 60e9
            assert list(app._view.trends) == ["tilt", "S1-lower", "S1-upper"]
            assert 80e9 < trail[-1][0] - trail[0][0] <= 180e9
            feed.picture = demo[100]  # another session: nothing of the one before is drawn
            app.redraw()
            assert [it[0] for it in app._view.trends["tilt"]] == [demo[100].time_ns]
            assert [it[0] for it in app._view.trails["S1"]] == [demo[100].time_ns]

    asyncio.run(go())
