"""The board of every channel, the whole way: a virtual rig on TCP and a real broker, and what the board says of it."""

from __future__ import annotations

import asyncio
import csv
import json
import os
import pty
import select
import signal
import struct
import subprocess
import sys
import termios
import threading
from collections.abc import Iterator
from fcntl import ioctl
from importlib.resources import files
from itertools import pairwise
from pathlib import Path

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from drivers import senml
from drivers.reading import Reading
from monitor.live.opening import Call, opened
from monitor.prelift.live_board import Hand, LiveBoard, places
from monitor.rig.load import parse_rig
from monitor.screens.ink import plain
from monitor.screens.sensors import SensorScreen
from replay.recording import read_recording

from .wires import Bench, on_wires

pytestmark = [pytest.mark.wires, pytest.mark.broker]
COMMAND = [sys.executable, "-m", "monitor", "sensors"]
YARD = files("monitor.drill").joinpath("rigs/yard-panel.toml")
RIG, TEXT = str(YARD), YARD.read_text(encoding="utf-8")
SPARE = """
[[channel]]
name = "spare"
quantity = "temperature"
source = { port = "bench", id = "T9" }
"""


@pytest.fixture
def bench(broker) -> Iterator[Bench]:
    """The yard's rig, and one sensor more on its serial line than the rig file knows of."""
    with on_wires(TEXT + SPARE, {"bench": "socket://127.0.0.1:0", "yard-net": broker.url}) as it:
        yield it


class Program:
    """The board in another process; its lines are read as they come."""

    def __init__(self, folder: Path, *args: str) -> None:
        self.process = subprocess.Popen(
            [*COMMAND, *args], cwd=folder, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE
        )
        self.lines: list[str] = []
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        for line in self.process.stdout:
            self.lines.append(line.rstrip("\n"))

    @property
    def last(self) -> dict:
        return json.loads(self.lines[-1]) if self.lines else {"channels": {}, "ports": {}}

    def end(self) -> tuple[int, str]:
        self.process.send_signal(signal.SIGINT)
        errors = self.process.stderr.read()
        code = self.process.wait(30)
        self._reader.join()
        self.process.stdout.close()
        self.process.stderr.close()
        return code, errors


def live_on(bench: Bench, folder: Path, **more) -> LiveBoard:
    """The board on a bench, here and not in another process; recorded unless it is said not to be."""
    call = Call(RIG, ports=bench.ports[1::2], **({"record": str(folder / "one.jsonl")} | more))
    return LiveBoard(opened("sensors", call, Hand()), call)


@pytest.mark.fault("channel-silent")
@pytest.mark.fault("channel-beyond")
@pytest.mark.fault("channel-frozen")
@pytest.mark.fault("channel-noisy")
def test_the_board_says_who_is_silent_out_of_range_and_a_stranger(bench, tmp_path, wait_until, judged, faults):
    it = Program(tmp_path, RIG, "--board", "--json", "--raw", "--record", "board.jsonl", *bench.ports)

    def said(channel: str, status: str) -> bool:
        return it.last["channels"].get(channel, {}).get("status") == status

    wait_until(lambda: it.last.get("zeroed"), 30.0, "the zero")
    assert {row["status"] for row in it.last["channels"].values()} == {"ok"}
    bench.fault("N2-p", "silent")
    bench.fault("H1", "bias", 3.0)
    bench.fault("S1-mid-y", "frozen")
    bench.fault("S1-mid-x", "noisy", 12.0)
    wait_until(lambda: said("N2-p", "stale") and said("H1", "out-of-range"), 15.0, "both faults")
    wait_until(lambda: said("S1-mid-y", "failed") and said("S1-mid-x", "maintenance"), 15.0, "two more")
    both = it.last
    assert sorted(list(both["channels"])[:4]) == ["H1", "N2-p", "S1-mid-x", "S1-mid-y"], "trouble first"
    assert both["channels"]["N2-p"]["fault"]["what"] == "silent"
    assert both["channels"]["H1"]["fault"]["what"] == "out of range"
    bench.mend("H1")
    wait_until(lambda: said("H1", "ok"), 15.0, "H1 again")
    assert it.last["channels"]["H1"]["fault"]["until"] > it.last["channels"]["H1"]["fault"]["since"]
    assert it.last["ports"]["bench"]["strangers"]["T9"] > 20
    assert any("T9" in line["text"] for line in it.last["ports"]["bench"]["raw"])
    assert "yard/S1/mid-x" in {line["about"] for line in it.last["ports"]["yard-net"]["raw"]}, it.last["ports"]
    assert len(it.last["ports"]["bench"]["raw"]) == 20
    assert 15.0 < it.last["channels"]["H2"]["rate_hz"] < 25.0
    code, errors = it.end()
    assert (code, errors.splitlines()[0]) == (0, "recording to board.jsonl")
    assert "Traceback" not in errors
    (verdict,) = judged(tmp_path / "board.jsonl")
    assert (verdict["same_as_live"], verdict["complete"], verdict["damage"]) == (True, True, None)
    begun = moments(tmp_path / "board.jsonl")
    assert {alarm["about"] for alarm in verdict["alarms"] if alarm["rule"].startswith("sensor-")} == set(begun)
    for about, kind in (("N2-p", "silent"), ("H1", "beyond"), ("S1-mid-y", "frozen"), ("S1-mid-x", "noisy")):
        fault = faults[f"channel-{kind}"]
        fault.replayed(tmp_path / "board.jsonl", begun[about])
        numbers = [it.sequence for it in readings_of(tmp_path / "board.jsonl", about)]
        after = [it.sequence for it in readings_of(tmp_path / "board.jsonl", about) if it.time_ns >= begun[about]]
        unused = after if kind in ("beyond", "frozen") else []
        fault.lost(list(range(numbers[-1] + 1)), [it for it in numbers if it not in unused], befell=unused, old=unused)


def readings_of(recording: Path, channel: str) -> list[Reading]:
    return [it for it in read_recording(recording).lines() if isinstance(it, Reading) and it.channel == channel]


def moments(recording: Path) -> dict[str, int]:
    """When each fault began, by what the channels said: (ns of the session) the last value, the first beyond, repeated, wild."""
    silent, beyond, frozen, noisy = (readings_of(recording, name) for name in ("N2-p", "H1", "S1-mid-y", "S1-mid-x"))
    usual = next(it.noise for it in parse_rig(TEXT).channel if it.name == "S1-mid-x")
    return {
        "N2-p": silent[-1].time_ns,
        "H1": next(it.time_ns for it in beyond if it.value > 3.0),
        "S1-mid-y": next(b.time_ns for a, b in pairwise(frozen) if a.value == b.value),
        "S1-mid-x": next(it.time_ns for it in noisy if abs(it.value - noisy[0].value) > 7.0 * usual),
    }


NODE = """
[[channel]]
name = "node"
quantity = "temperature"
source = { port = "yard-net", topic = "yard/node", format = "senml", n = "node" }
"""


def test_a_nodes_own_time_stands_in_the_json_where_it_sends_one(bench, broker, tmp_path, wait_until):
    """A node on a real broker whose clock is wrong by years, among others that send no time (RFC 8428 4.5.3)."""
    (tmp_path / "rig.toml").write_text(TEXT + NODE, encoding="utf-8")
    it = Program(tmp_path, "rig.toml", "--board", "--json", "--no-record", *bench.ports)
    client = Client(CallbackAPIVersion.VERSION2)
    client.connect(broker.host, broker.port)
    client.loop_start()
    own = 1_500_000_000.25

    def heard() -> bool:
        client.publish("yard/node", senml.pack([("node", "K", 290.0)], time_s=own), qos=1).wait_for_publish(10.0)
        return it.last["channels"].get("node", {}).get("value") == 290.0

    try:
        wait_until(heard, 30.0, "the node")
        rows = it.last["channels"]
    finally:
        client.disconnect()
        client.loop_stop()
        it.end()
    assert rows["node"]["device_utc"] == own
    assert {row["device_utc"] for name, row in rows.items() if name != "node"} == {None}


def test_without_a_terminal_it_is_a_table_a_second_and_ends_by_itself(bench, tmp_path):
    call = [*COMMAND, RIG, "--board", "--no-record", "--for", "4s", *bench.ports]
    it = subprocess.run(call, capture_output=True, text=True, cwd=tmp_path, timeout=60)
    assert it.returncode == 0
    tables = it.stdout.split("\n\n")
    assert len(tables) in (4, 5)
    for name in ("S1-lower-p", "load-x", "PORT bench up  STRANGERS: T9", "PORT yard-net up"):
        assert name in tables[2]
    assert it.stderr.splitlines()[0] == "not recording"
    assert list(tmp_path.glob("*.jsonl")) == []


def test_a_recording_made_here_is_ended_and_another_begun_and_both_are_the_same_as_live(
    bench, tmp_path, monkeypatch, judged
):
    """The keys on the real screen, over a real session: export, end the recording, begin another, call STOP. The second is
    kept in the same two places as the first."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "stick").mkdir()
    live = live_on(bench, tmp_path, also=str(tmp_path / "stick"))

    async def go() -> list[str]:
        app, seen = SensorScreen(live), []
        async with app.run_test(size=(120, 40)) as pilot:

            async def press(*keys: str) -> None:
                for key in keys:
                    await pilot.press(key)
                await pilot.pause()
                seen.append(plain(app.sheet.lines))

            async def said(text: str) -> None:
                await until(lambda _: text in plain(app.sheet.lines))
                seen.append(plain(app.sheet.lines))

            async def until(true) -> None:
                for _ in range(300):
                    app.redraw()
                    if app.now is not None and true(app.now):
                        return
                    await pilot.pause(0.1)
                pytest.fail("the board did not come about")

            await until(lambda board: board.zeroed)
            await press("enter")
            await press("x", "e")
            await press("r", "r")
            await said("ended: ")
            await until(lambda board: all(row.rate_hz for row in board.channels))
            await press("r")
            await said("recording to yard-panel-")
            await until(lambda board: board.zeroed)
            await press("space")
            await until(lambda board: board.stop is not None)
            await press("r", "r")
            await said("STOP stands")
            await press("q")
        return seen

    live.start()
    try:
        wire, exported, _, ended, _, begun, *_ = asyncio.run(go())
    finally:
        live.session.stop()
    assert "$IIXDR,P," in wire
    assert "exported" in exported
    assert "ended: recording to" in ended
    assert "recording to yard-panel-" in begun
    (csv_file,) = tmp_path.glob("yard-panel-board-*.csv")
    with csv_file.open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(lines))
    assert {row["channel"] for row in rows} == {channel.name for channel in live.session.rig.channel}
    assert len(rows) > 500
    (second,) = tmp_path.glob("yard-panel-2*.jsonl")
    assert (tmp_path / "stick" / second.name).read_bytes() == second.read_bytes()
    one, other = judged(tmp_path / "one.jsonl", second)
    for verdict in (one, other):
        assert (verdict["same_as_live"], verdict["complete"]) == (True, True)
        assert verdict["samples"] > 300
    assert [alarm["rule"] for alarm in one["alarms"]] == []
    assert [alarm["rule"] for alarm in other["alarms"]] == ["stop-called"]


def test_a_recording_that_cannot_be_begun_is_said_and_the_session_goes_on(bench, tmp_path, monkeypatch, wait_until):
    monkeypatch.chdir(tmp_path)
    live = live_on(bench, tmp_path, record=None, keep=False)
    live.start()
    try:
        wait_until(lambda: live.board() is not None)
        before = live.session
        monkeypatch.setattr("monitor.live.opening.record_file", lambda *_: tmp_path / "no" / "dir.jsonl")
        assert "cannot record there" in live.record(True)
        assert live.session is before
        assert not live.kept
    finally:
        live.session.stop()


def test_on_a_terminal_it_is_a_screen(bench, tmp_path):
    """A real terminal of 80 by 24: the board is drawn with its words where no colour may be had, and q ends it."""
    near, far = pty.openpty()
    ioctl(far, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    call = [*COMMAND, RIG, "--board", "--no-record", *bench.ports]
    env = {**os.environ, "TERM": "xterm-256color", "NO_COLOR": "1"}
    it = subprocess.Popen(call, cwd=tmp_path, stdin=far, stdout=far, stderr=far, env=env, start_new_session=True)
    os.close(far)
    seen, pressed = b"", False
    try:
        while select.select([near], [], [], 40.0)[0]:
            try:
                seen += os.read(near, 65536)
            except OSError:  # Linux says so when the other end has shut
                break
            if b"S1-lower-p" in seen and not pressed:
                os.write(near, b"q")
                pressed = True
        assert it.wait(20) == 0
    finally:
        it.kill()
        it.wait()
        os.close(near)
    assert b"HEALTH" in seen
    assert b"Traceback" not in seen
    assert b"not recording" in seen


def test_every_channel_says_what_it_measures():
    rig = parse_rig(TEXT)
    assert set(places(rig)) == {channel.name for channel in rig.channel}
    assert places(rig)["S1-lower-p"] == "air of S1-lower"


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (["--raw"], "--raw goes with --board --json"),
        (["--raw", "--json"], "--raw goes with --board --json"),
        (["--board", "--raw"], "--raw goes with --board --json"),
        (["--board", "--actions", "-"], "--actions with the checks alone"),
        (["--board", "--port", "x=y"], "NAME one of bench, yard-net"),
    ],
)
def test_a_wrong_call_is_one_sentence(typed, args, says):
    it = typed("sensors", RIG, *args)
    assert it.code == 2
    assert says in it.err
    assert it.out == ""
