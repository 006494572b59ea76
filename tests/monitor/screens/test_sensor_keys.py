"""The keys of the board of channels, on the real screen: one press each, asked once where it cannot be undone."""

from __future__ import annotations

import asyncio

import pytest

from monitor.engine.picture import Answer
from monitor.screens.ink import plain
from monitor.screens.sensors import SensorScreen

from .boards import BOARD, BoardStandIn


@pytest.fixture
def feed() -> BoardStandIn:
    return BoardStandIn()


def shown(feed, *keys, between=None, size=(80, 24), **options) -> str:
    """Press keys on a screen, `between` before the last of them ("": none); returns what it showed at the end."""

    async def go() -> str:
        app = SensorScreen(feed, **options)
        async with app.run_test(size=size) as pilot:
            for key in keys[:-1]:
                await pilot.press(key)
            if between is not None:
                between()
                app.redraw()
            for key in filter(None, keys[-1:]):
                await pilot.press(key)
            await pilot.pause()
            return plain(app.sheet.lines) if app.is_running and app.query("Sheet") else ""

    return asyncio.run(go())


def chosen(text: str) -> str:
    return next(line for line in text.splitlines() if line.startswith(">"))[2:].split()[0]


def test_up_and_down_choose_and_stop_at_the_ends(feed):
    names = [row.name for row in BOARD.channels]
    assert chosen(shown(feed)) == names[0]
    assert chosen(shown(feed, "down", "down")) == names[2]
    assert chosen(shown(feed, "down", "up", "up")) == names[0]
    assert chosen(shown(feed, "pagedown", "pagedown")) == names[-1]
    assert chosen(shown(feed, "pagedown", "pageup")) == names[0]


def test_the_choice_stays_with_its_channel_when_rows_move(feed):
    text = shown(feed, "down", "p", "p", between=lambda: feed.later(channels=BOARD.channels[::-1]))
    assert chosen(text) == "H1"


def test_enter_opens_the_wire_of_the_chosen_channel_and_any_other_key_goes_back(feed):
    text = shown(feed, "enter")
    assert ("raw", "bench") in feed.pressed
    assert "   0.5 $IIXDR,P,2.71,B,P1*61\\r\\n" in text
    assert "   0.1 \\xff\\x00" in text
    assert "RAW" not in shown(feed, "enter", "x")


def test_p_stops_the_display_and_not_the_session(feed):
    def goes_on() -> None:
        feed.later(channels=BOARD.channels[3:])

    text = shown(feed, "p", "t", between=goes_on)
    assert "DISPLAY PAUSED for" in text
    assert "N2-p" in text
    assert "00:55  10 channels ok" in text, "what is wrong is never paused"
    text = shown(BoardStandIn(), "p", "p", between=lambda: None)
    assert "PAUSED" not in text
    again = BoardStandIn()
    assert "N2-p" not in shown(again, "p", "p", between=lambda: again.later(channels=BOARD.channels[3:]))


def test_p_holds_the_wire_still_too(feed):
    def silenced() -> None:
        feed.lines = []

    assert "$IIXDR" in shown(feed, "enter", "p", "", between=silenced)
    assert "nothing has come over it yet" in shown(feed, "enter", "p", "p", between=silenced)


def test_e_exports_and_says_where(feed):
    assert "exported 40 readings to yard-board.csv" in shown(feed, "e")
    assert ("export",) in feed.pressed


def test_r_asks_before_it_ends_a_recording_and_begins_one_at_once(feed):
    assert "recording to yard.jsonl: end it: r again does it" in shown(feed, "r", size=(120, 24))
    assert "left as it was" in shown(feed, "r", "x")
    assert feed.pressed == []
    assert "ended: recording to yard.jsonl" in shown(feed, "r", "r")
    assert "recording to other.jsonl" in shown(feed, "r")
    assert feed.pressed == [("record", False), ("record", True)]


@pytest.mark.parametrize(
    ("kept", "keys", "what", "deed", "done"),
    [
        (True, "rr", "ending the recording", ("record", False), "ended: recording to yard.jsonl"),
        (False, "r", "beginning a recording", ("record", True), "recording to other.jsonl"),
        (True, "e", "writing the last minute", ("export",), "exported 40 readings to yard-board.csv"),
    ],
)
def test_while_the_disk_hangs_the_board_goes_on_and_says_what_it_waits_for(feed, kept, keys, what, deed, done):
    feed.kept = kept
    feed.disk.clear()
    seconds = [1.0]

    async def go() -> list[str]:
        app, seen = SensorScreen(feed, clock=lambda: seconds[0]), []
        async with app.run_test(size=(80, 24)) as pilot:

            async def press(*keys: str) -> None:
                for key in keys:
                    await pilot.press(key)
                app.redraw()
                seen.append(plain(app.sheet.lines))

            await press(*keys)
            seconds[0] = 8.0
            feed.later(channels=BOARD.channels[3:])
            await press("down")
            await press("r", "e", "space")
            feed.disk.set()
            app._errand._thread.join(60.0)
            await press("down")
        return seen

    try:
        begun, later, again, over = asyncio.run(go())
    finally:
        feed.disk.set()
    assert f"{what} for 0 s: waits for a disk or a port; all else goes on" in begun
    assert f"{what} for 7 s: waits" in later
    assert "00:55  10 channels ok" in later, "it draws what is now"
    assert f"{what} for 7 s: waits" in again
    assert feed.pressed == [deed, ("stop", {"reason": "sensor board"})], "once, and STOP at once"
    assert done in over
    assert "waits" not in over


def test_what_a_deed_raises_is_not_lost_in_its_thread(feed):
    def broken(_: bool) -> str:
        raise ZeroDivisionError("a fault of the program")

    feed.record = broken
    with pytest.raises(ZeroDivisionError, match="a fault of the program"):
        shown(feed, "r", "r")


def test_z_zeroes_and_what_the_engine_answers_is_shown(feed):
    answer = Answer(BOARD.time_ns, "zero", False, "H1 is moving")
    assert "REFUSED: H1 is moving" in shown(feed, "z", "t", between=lambda: feed.later(answer=answer))
    assert ("zero", {"live_only": True}) in feed.pressed


@pytest.mark.parametrize("first", [(), ("r",), ("enter",), ("question_mark",), ("p",), ("c",)])
def test_space_calls_stop_at_once_whatever_is_shown_or_asked(feed, first):
    shown(feed, *first, "space")
    assert ("stop", {"reason": "sensor board"}) in feed.pressed


def test_c_clears_stop_and_asks_first(feed):
    assert "Clear STOP: c again does it" in shown(feed, "c")
    assert feed.pressed == []
    shown(feed, "c", "c")
    assert feed.pressed == [("clear-stop", {})]


def test_question_mark_helps_and_any_key_goes_back(feed):
    assert "Nobody goes under a load held by bags alone." in shown(feed, "question_mark")
    assert "CHANNEL" in shown(feed, "question_mark", "q")


def test_t_turns_it_light_and_dark(feed):
    async def go() -> list[bool]:
        app = SensorScreen(feed)
        async with app.run_test() as pilot:
            seen = [app.day]
            for _ in range(2):
                await pilot.press("t")
                seen.append(app.day)
            return seen

    assert asyncio.run(go()) == [False, True, False]


@pytest.mark.parametrize("board", [BOARD, None])
def test_q_ends(board):
    async def go() -> bool:
        app = SensorScreen(BoardStandIn(board))
        async with app.run_test() as pilot:
            await pilot.press("q")
            await pilot.pause()
            return app._exit

    assert asyncio.run(go())


def test_before_the_first_picture_keys_do_nothing(feed):
    feed.shown = None
    assert shown(feed, "down", "enter", "r", "z").startswith("waiting for the first picture")
    assert feed.pressed == []


def test_a_monitor_that_has_stopped_is_said_within_its_time(feed):
    seconds = iter([float(i) for i in range(1000)])
    assert "THE MONITOR HAS STOPPED" in shown(feed, "down", "down", "down", clock=lambda: next(seconds))
