"""The safety officer's keys on the real screen: STOP at once and its reason after it, and nothing else that acts."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest

from monitor.engine.guidance import GUIDANCE
from monitor.engine.picture import AlarmState, Priority
from monitor.screens.ink import Role, plain
from monitor.screens.safety import SIGNED, SafetyScreen

STOP = ("stop", {"reason": SIGNED})


@pytest.fixture
def at():
    """The time on the screen's clock: [seconds]."""
    return [0.0]


@pytest.fixture
def shown(feed, at):
    """Press keys on the screen; a callable among them is called and the screen drawn again. Returns what it shows then."""

    def run(*keys, size=(80, 24), look=None, **options):
        async def go() -> str:
            app = SafetyScreen(feed, clock=lambda: at[0], **options)
            async with app.run_test(size=size) as pilot:
                for key in keys:
                    if callable(key):
                        key()
                        app.redraw()
                    else:
                        await pilot.press(key)
                await pilot.pause()
                if look is not None:
                    look(app)
                return plain(app.sheet.lines)

        return asyncio.run(go())

    return run


def test_space_calls_stop_at_once_and_says_that_it_is_not_heard_yet(feed, shown, at):
    text = shown("space")
    assert feed.sent == [STOP]
    assert "STOP CALLED HERE 0 s ago: waiting for the operator's monitor" in text

    def later() -> None:
        at[0] = 2.5

    assert "SHOUT, AND SPACE AGAIN (2 s): STOP NOT HEARD" in shown("space", later)


@pytest.mark.parametrize("first", ["question_mark", "q", "down", "escape", "t", "c"])
def test_space_calls_stop_whatever_is_shown_or_asked(feed, shown, first):
    shown(first, "space")
    assert feed.sent == [STOP]


def test_the_call_is_confirmed_where_it_was_called(feed, shown):
    def stands() -> None:
        feed.change(stop_called="safety officer: the edge crumbles")

    text = shown("space", stands)
    assert "STOP CALLED HERE" not in text
    assert "called by safety officer: the edge crumbles" in text
    assert "SHUT ALL VALVES" in text


def test_an_old_picture_confirms_no_call(feed, shown):
    feed.change(stop_called="somebody")
    feed.trouble = "GONE: the operator's monitor has left"
    assert "STOP CALLED HERE 0 s ago" in shown("space")


def test_what_the_link_says_of_the_call_is_shown(feed, shown):
    feed.call_state = "sent, not taken by the broker yet"
    assert "(sent, not taken by the broker yet)" in shown("space", size=(120, 40))
    assert "sent, not taken by the broker yet" in shown()


def test_the_reason_goes_after_the_stop(feed, shown):
    shown("space", *"edge", "space", *"gives", "enter")
    assert feed.sent == [STOP, ("stop", {"reason": "edge gives"})]


def test_escape_leaves_the_reason_and_an_empty_one_is_none(feed, shown):
    shown("space", "x", "escape", "down")
    shown("space", "enter")
    assert feed.sent == [STOP, STOP]


def test_space_before_a_reason_calls_stop_again(feed, shown):
    shown("space", "space", "x", "space", "y", "enter")
    assert feed.sent == [STOP, STOP, ("stop", {"reason": "x y"})]


def test_the_line_for_a_reason_shuts_once_stop_is_cleared(feed, shown):
    lines = []

    def stands() -> None:
        feed.change(stop_called="somebody")

    def cleared() -> None:
        feed.change(stop_called=None)

    shown("space", stands, look=lambda app: lines.append(app.note.display))
    shown("space", "x", stands, cleared, look=lambda app: lines.append(app.note.display))
    assert lines == [True, False]


@pytest.mark.parametrize("key", ["a", "b", "c", "h", "i", "k", "m", "n", "r", "u", "x", "z", "l", "enter"])
def test_no_other_key_acts(feed, shown, key):
    shown(key, key)
    assert feed.sent == []


def test_what_only_the_operator_does_is_said(shown):
    assert "STOP is cleared at the operator's screen alone" in shown("c")
    assert "acknowledged at the operator's screen alone" in shown("a")


def test_an_alarm_is_chosen_and_told_in_sentences(feed, shown, make_alarm):
    feed.change(
        alarms=(
            make_alarm("lean", Priority.DANGER),
            make_alarm("shore-behind", Priority.WARNING, about="N1"),
            make_alarm("sensor-lost", Priority.CAUTION, about="H2"),
        )
    )

    def told(text: str, rule: str) -> bool:
        return " ".join(GUIDANCE[rule].split())[:60] in " ".join(text.split())

    assert not any(told(shown(), rule) for rule in ("lean", "shore-behind", "sensor-lost"))
    assert told(shown("down"), "lean")
    assert told(shown("down", "down"), "shore-behind")
    assert told(shown("up"), "sensor-lost"), "up begins at the last"
    assert told(shown("down", "up", "up"), "lean"), "it stops at the ends"
    assert "lean S1: what it means" not in shown("down", "escape")
    assert feed.sent == []


def test_the_chosen_alarm_stays_chosen_when_a_graver_comes(feed, shown, make_alarm):
    feed.change(alarms=(make_alarm("shore-behind", Priority.WARNING, about="N1"),))

    def graver() -> None:
        feed.change(alarms=(make_alarm("lean", Priority.DANGER), *feed.picture.alarms))

    def gone() -> None:
        feed.change(alarms=feed.picture.alarms[:1])

    assert "shore-behind N1: what it means" in shown("down", graver)
    feed.change(alarms=feed.picture.alarms[1:])
    assert "what it means" not in shown("down", graver, gone)


def test_help_comes_and_goes_over_the_alarms(feed, shown, leaning):
    feed.picture = leaning
    text = shown("question_mark")
    assert "any key goes back" in text
    assert "lean S1: 134 mm of 150 mm ring" in text
    assert "any key goes back" not in shown("question_mark", "x")


def test_quitting_is_asked_once(feed):
    async def go(*keys) -> bool:
        app = SafetyScreen(feed)
        async with app.run_test() as pilot:
            await pilot.press(*keys)
            await pilot.pause()
            return app._exit

    assert not asyncio.run(go("q", "x"))
    assert asyncio.run(go("q", "q"))


def test_light_and_dark(shown):
    seen = []

    def look(app) -> None:
        seen.append(str(next(iter(app.sheet.render_line(5))).style.bgcolor))

    shown(look=look)
    shown("t", look=look)
    shown("t", "t", look=look)
    assert seen[0] == seen[2] != seen[1]


def test_before_the_first_picture_it_waits_and_stop_is_called_all_the_same(feed, shown):
    feed.picture = None
    feed.trouble = "SILENT: nothing comes from training-yard"
    text = shown("down", "space")
    assert "training-yard: SILENT: nothing comes" in text
    assert "NOTHING IS WATCHED HERE" in text
    assert feed.sent == [STOP]


def test_trouble_greys_what_is_old_and_says_its_age(feed, shown, at, leaning):
    feed.picture = leaning

    def gone() -> None:
        at[0] = 7.4
        feed.trouble = "GONE: the operator's monitor has left"

    text = shown(gone)
    assert "GONE: the operator's monitor has left" in text
    assert "ALL BELOW IS 7 s OLD: WATCH THE LOAD" in text
    assert "IF THE BAGS FAIL (7 s OLD)" in text
    assert "DANGER ◆lean S1" in text, "an alarm that stood is not dropped"
    roles = []

    def look(app) -> None:
        roles.extend({role for line in app.sheet.lines[3:-1] for _, role in line})

    shown(gone, look=look)
    assert roles == [Role.OLD]
    assert all(line.startswith("┊") for line in text.splitlines()[3:-1]), "told without colour too"


def test_a_picture_that_does_not_change_is_one_that_is_old(shown, at):
    def later() -> None:
        at[0] = 2.0

    assert "THE MONITOR HAS STOPPED: no picture for 2 s" in " ".join(shown(later).split())


@pytest.mark.parametrize(
    ("state", "trouble", "bell", "rings"),
    [
        (AlarmState.UNACKNOWLEDGED, "", True, 8),
        (AlarmState.ACKNOWLEDGED, "", True, 0),
        (AlarmState.ACKNOWLEDGED, "FROZEN: its pictures stand still", True, 8),
        (AlarmState.UNACKNOWLEDGED, "", False, 0),
    ],
)
def test_the_bell_rings_until_it_is_seen_and_while_nothing_can_be_trusted(
    feed, make_alarm, at, state, trouble, bell, rings
):
    feed.change(alarms=(make_alarm("lean", Priority.DANGER, state),))
    feed.trouble = trouble
    rung = []

    async def go() -> None:
        app = SafetyScreen(feed, bell=bell, clock=lambda: at[0])
        app.bell = lambda: rung.append(at[0])
        async with app.run_test():
            for tenth in range(1, 68):
                at[0] = tenth / 10
                feed.picture = replace(feed.picture, time_ns=feed.picture.time_ns + 1)
                app.redraw()

    asyncio.run(go())
    assert len(rung) == rings


def test_a_window_may_be_resized_while_it_runs(feed):
    async def go() -> None:
        app = SafetyScreen(feed)
        async with app.run_test(size=(120, 40)) as pilot:
            for size in ((80, 24), (30, 8), (200, 60), (60, 16)):
                await pilot.resize_terminal(*size)
                await pilot.pause()
                await pilot.pause()
                assert len(app.sheet.lines) == size[1]

    asyncio.run(go())


def test_nothing_flashes(feed, shown, leaning, at):
    """The same picture drawn again and again, an unseen danger in it, changes no row."""
    feed.picture = leaning
    drawn = []

    def look(app) -> None:
        app.sheet.refresh = lambda *regions, **_: drawn.append(regions)
        for tenth in range(10):
            at[0] = tenth / 10
            app.redraw()

    shown(look=look)
    assert drawn == []


def test_what_somebody_typed_elsewhere_is_shown_and_never_obeyed(feed, shown):
    feed.change(stop_called="me: \x1b[2J\x07gone")
    rows = []

    def look(app) -> None:
        rows.append(app.sheet.render_line(0).text)

    shown(look=look)
    assert "me: ·[2J·gone" in rows[0]
    assert rows[0].isprintable()


def test_a_call_that_is_not_confirmed_says_what_to_do_first_and_fits(feed, shown, at):
    def later() -> None:
        at[0] = 2.5
        feed.call_state = "STOP NOT CONFIRMED by the operator's monitor: shout"

    said = "SHOUT, AND SPACE AGAIN (2 s): STOP NOT CONFIRMED by the operator's monitor"
    line = next(it for it in shown("space", later).splitlines() if "SHOUT" in it)
    assert line.strip() == said
