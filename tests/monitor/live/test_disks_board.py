"""The sensor board's key that records, on a disk that hangs: watching goes on, and no STOP is lost between two sessions."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path

import pytest

from monitor.live.opening import Call, opened
from monitor.prelift.live_board import Hand, LiveBoard
from monitor.screens.ink import plain
from monitor.screens.sensors import SensorScreen

TEXT = files("monitor.drill").joinpath("rigs/training-yard.toml").read_text(encoding="utf-8")
NOWHERE = ["bench=socket://127.0.0.1:1", "mast=socket://127.0.0.1:1"]
pytestmark = pytest.mark.wires


@pytest.fixture
def board_on(slow_disk, monkeypatch) -> Callable[..., LiveBoard]:
    """A board whose recordings go to a disk that can hang. Nobody speaks on its ports."""
    monkeypatch.chdir(slow_disk.folder)

    def begin(**more: object) -> LiveBoard:
        Path("rig.toml").write_text(TEXT, encoding="utf-8")
        call = Call("rig.toml", ports=NOWHERE, **more)
        return LiveBoard(opened("sensors", call, Hand()), call)

    return begin


def test_the_board_goes_on_while_a_recording_is_ended_on_a_disk_that_hangs_and_while_one_is_begun_there(
    slow_disk, board_on, monkeypatch, judged
):
    """The keys on the real screen. STOP is called while the disk lets the next session wait: it stands in that one, too."""
    monkeypatch.setattr("replay.writer.CLOSE_WITHIN_S", 1.0)
    live = board_on(record="one.jsonl")

    async def go() -> None:
        app = SensorScreen(live)
        async with app.run_test(size=(120, 40)) as pilot:

            async def until(true: Callable[[], object], what: str) -> None:
                for _ in range(200):
                    app.redraw()
                    if true():
                        return
                    await pilot.pause(0.05)
                pytest.fail(f"{what} did not come about: {plain(app.sheet.lines)}")

            await until(lambda: app.now, "a board")
            first = live.session
            slow_disk.freeze()
            await pilot.press("r", "r")
            await until(lambda: live.session is not first, "another session")
            assert "ending the recording for" in plain(app.sheet.lines)
            shown = app.now.time_ns
            await until(lambda: app.now.time_ns not in (shown, first.latest().time_ns), "a newer board")
            await until(lambda: "not finished: the disk does not answer" in plain(app.sheet.lines), "the word of it")
            assert "ended: recording to one.jsonl, and not as it should be: " in plain(app.sheet.lines)
            second = live.session
            await pilot.press("r")
            await until(lambda: "beginning a recording for" in plain(app.sheet.lines), "the wait")
            shown = app.now.time_ns
            await until(lambda: app.now.time_ns > shown, "a newer board")
            await pilot.press("space")
            await until(lambda: app.now.stop is not None, "STOP")
            assert live.session is second
            slow_disk.thaw()
            await until(lambda: live.session is not second and app.now.stop is not None, "STOP in the next session")
            await until(lambda: "recording to training-yard-" in plain(app.sheet.lines), "the recording")

    live.start()
    try:
        asyncio.run(go())
    finally:
        slow_disk.thaw()
        live.close()
    (path,) = Path().glob("training-yard-*.jsonl")
    (verdict,) = judged(path)
    assert (verdict["same_as_live"], verdict["complete"]) == (True, True)
    assert "stop-called" in [it["rule"] for it in verdict["alarms"]]


def test_a_board_that_is_ended_while_a_disk_hangs_begins_no_session_afterwards(
    slow_disk, board_on, wait_until, at_most, monkeypatch
):
    monkeypatch.setattr("monitor.prelift.live_board._CLOSE_S", 0.2)
    live = board_on(keep=False)
    live.start()
    slow_disk.freeze()
    said: list[str] = []
    recorder = threading.Thread(target=lambda: said.append(live.record(True)))
    recorder.start()
    wait_until(live._changing.locked, what="a recording that is begun")
    first = live.session
    with at_most(3.0, "ending the board"):
        live.close()
    slow_disk.thaw()
    recorder.join(20.0)
    assert said == ["not recording: ended before"]
    assert live.session is first
