"""Time in a live session: the wall clock may be set, the computer may sleep, the program may be stopped. What counts is the
session's own clock; what was not heard since is stale, and a gap is said."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import threading
import time
import tty
from importlib.resources import files
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import nmea, senml
from drivers.config import Channel
from drivers.kinds.mqtt import MqttPort
from drivers.mqtt import MqttReader
from drivers.ports import redirect
from drivers.reading import Quality, Reading
from monitor import encode
from monitor.engine.engine import Engine
from monitor.live.clock import running_ns
from monitor.live.session import Session
from monitor.rig.load import parse_rig
from replay.entries import Action, Notice, Tick
from replay.journal import read_journal

from ...screen import status

RIG = files("monitor.drill").joinpath("rigs/one-bag.toml")
RECORDING = Path(__file__).resolve().parents[3] / "recordings" / "stuck-shore.jsonl"
HOUR_NS = 3_600_000_000_000


class Kept:
    def __init__(self) -> None:
        self.entries = []

    def write(self, entry) -> None:
        self.entries.append(entry)

    def alarm(self, it) -> None:
        pass

    def close(self) -> None:
        pass


class Bench:
    """A session of the one-bag rig, whose two ports are real pseudo-terminals on which every channel speaks 20 times a second.
    Values are invented. `ahead_ns` is put onto the session's clock, as waking up does; `mute` holds the talkers' tongues."""

    def __init__(self) -> None:
        self.ahead_ns, self.mute = 0, False
        self.rig = parse_rig(RIG.read_text(encoding="utf-8"))
        self.ends = {port.name: os.openpty() for port in self.rig.port}
        for _, far in self.ends.values():
            tty.setraw(far)
        self.session, self.kept = Session(self.rig, now_ns=lambda: running_ns() + self.ahead_ns), Kept()
        ports = [redirect(port, os.ttyname(self.ends[port.name][1])) for port in self.rig.port]
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._talk, name="talker")
        self.session.start(ports, self.kept)
        self._thread.start()

    def _talk(self) -> None:
        rng = random.Random(1)
        middle = {"pressure": 1e5, "length": 0.5, "angle": 0.01}
        while not self._stop.wait(0.05):
            for name, (near, _) in self.ends.items():
                values = [
                    (it, middle[it.quantity] + rng.gauss(0.0, it.noise or 0.0))
                    for it in self.rig.channel
                    if it.source.port == name
                ]
                words = [
                    nmea.quadruple(
                        it.source.id, it.wired.quantity, value if it.loop is None else it.loop.current(value)
                    )
                    for it, value in values
                ]
                if not self.mute:
                    os.write(near, b"".join(nmea.sentences("II", words)))

    def statuses(self) -> set[str]:
        picture = self.session.latest()
        return {it.status.value for it in picture.sensors} if picture else set()

    def entries(self, kind) -> list:
        return [it for it in list(self.kept.entries) if isinstance(it, kind)]

    def numbers(self, *kinds: Quality) -> list[tuple[str, int]]:
        """Which readings there are of these qualities: channel and number."""
        return [(it.channel, it.sequence) for it in self.entries(Reading) if it.quality in kinds]

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self.session.stop()
        for end in self.ends.values():
            for one in end:
                os.close(one)


@pytest.fixture
def bench(wait_until):
    it = Bench()
    wait_until(lambda: it.statuses() == {"ok"}, 20.0, "live sensors")
    yield it
    it.close()


def whole(numbers: list[tuple[str, int]]) -> list[tuple[str, int]]:
    """Every number of each channel up to its last: a reading that was lost would leave one out."""
    return [(name, n) for name, last in sorted(dict(sorted(numbers)).items()) for n in range(last + 1)]


def replayed(rig, entries) -> list:
    """The pictures of entries, given to an engine of its own: it has no clock."""
    engine = Engine(rig)
    return [encode.picture(picture) for it in entries if (picture := engine.feed(it)) is not None]


def test_the_clock_of_a_session_never_goes_back_and_counts_nanoseconds():
    seen = [running_ns() for _ in range(1000)]
    assert seen == sorted(seen)
    begun, also = running_ns(), time.monotonic_ns()
    threading.Event().wait(0.05)
    assert running_ns() - begun == pytest.approx(time.monotonic_ns() - also, abs=20e6)


@pytest.mark.skipif(sys.platform != "linux", reason="only there the usual clock stands still in suspend")
def test_on_linux_it_is_the_one_that_goes_on_in_suspend():
    assert abs(running_ns() - time.clock_gettime_ns(time.CLOCK_BOOTTIME)) < 1_000_000_000


def test_an_hour_asleep_is_said_and_all_is_stale_until_it_is_heard_again(bench, wait_until):
    """No test can put the computer to sleep: its clock is put on by an hour at once, as CLOCK_BOOTTIME is then. All else runs."""
    bench.mute = True
    threading.Event().wait(0.2)
    before = len(bench.kept.entries)
    bench.ahead_ns = HOUR_NS
    wait_until(lambda: bench.statuses() == {"stale"}, what="stale sensors")
    (said,) = (it for it in bench.entries(Notice) if it.kind == "behind-time")
    assert (said.active, said.text) == (True, "did not run for 3600 s")
    first = next(n for n, it in enumerate(bench.kept.entries[before:]) if it.time_ns > HOUR_NS)
    assert isinstance(bench.kept.entries[before + first], Notice), "the gap is said before anything that comes after it"
    assert "behind-time" in {it.rule for it in bench.session.latest().alarms if it.active}
    assert bench.session.latest().blind, "what is not known is said of every rule that needs it"
    lost = [it for it in bench.session.latest().alarms if it.rule == "sensor-lost" and it.active]
    assert not lost, "one alarm for one cause"
    wait_until(
        lambda: any(a.rule == "sensor-lost" and a.active for a in bench.session.latest().alarms), what="the silence"
    )
    assert bench.session.latest().time_ns - said.time_ns >= 3_000_000_000
    bench.mute = False
    wait_until(lambda: bench.statuses() == {"ok"}, what="sensors that are heard again")
    wait_until(lambda: not any(a.active for a in bench.session.latest().alarms if a.rule == "behind-time"))
    bench.session.stop()
    times = [it.time_ns for it in bench.entries(Tick)]
    assert times == sorted(times)
    pictures = replayed(bench.rig, bench.kept.entries)
    assert pictures == replayed(bench.rig, bench.kept.entries)
    assert pictures[-1] == encode.picture(bench.session.latest()), "a replay needs no such clock"


@pytest.mark.fault("asleep")
def test_what_waits_on_the_wire_over_a_sleep_is_old(bench, wait_until, fault):
    pictures, woken_ns = [], bench.session.clock() + HOUR_NS
    bench.session.on_picture = pictures.append
    bench.ahead_ns = HOUR_NS
    wait_until(lambda: any(it.time_ns > HOUR_NS and it.quality is Quality.GOOD for it in bench.entries(Reading)))
    after = [it for it in bench.entries(Reading) if it.time_ns > HOUR_NS]
    for name in {it.channel for it in after}:
        mine = [it.quality for it in after if it.channel == name]
        assert mine == sorted(mine, key=lambda quality: quality is Quality.GOOD), "first what is old, then what is not"
    assert any(it.quality is Quality.OLD for it in after), "a read was waiting when the lid was shut"
    fault.seen(pictures, woken_ns)
    live, old = bench.numbers(Quality.GOOD), bench.numbers(Quality.OLD)
    fault.lost(whole(live + old), live, befell=old, old=old)


@pytest.mark.fault("wall-clock-set")
def test_a_wall_clock_that_is_set_changes_nothing(bench, wait_until, monkeypatch, fault):
    """It jumps by up to ten years either way, at every look at it."""
    rng, real = random.Random(4), time.time
    monkeypatch.setattr(time, "time", lambda: real() + rng.uniform(-3e8, 3e8))
    pictures, begun = [], bench.session.clock()
    bench.session.on_picture = pictures.append
    wait_until(lambda: bench.session.latest().time_ns - begun > 2_000_000_000)
    assert bench.statuses() == {"ok"}
    assert not [it for it in bench.entries(Notice) if it.kind != "link"]
    assert {it.quality for it in bench.entries(Reading)} == {Quality.GOOD}
    for port in {it.source.port for it in bench.rig.channel}:
        names = {it.name for it in bench.rig.channel if it.source.port == port}
        times = [it.time_ns for it in bench.entries(Reading) if it.channel in names]
        assert times == sorted(times)
    assert not any(it.device_time_ns for it in bench.entries(Reading))
    fault.seen(pictures, begun)
    assert all(fault.row.said_in(status(it)) for it in pictures), "and it stays so"
    live = bench.numbers(Quality.GOOD)
    fault.lost(whole(live), live)


NET = MqttPort(name="net", driver="mqtt", host="h")
TILT = Channel(name="t", quantity="angle", source={"port": "net", "topic": "yard/t", "format": "senml", "n": "t"})


@given(st.lists(st.tuples(st.floats(-0.5, 0.5), st.integers(1, 10**9), st.floats(-1e9, 4e9)), min_size=1, max_size=20))
def test_a_wall_clock_that_is_set_reaches_nothing_but_the_devices_own_time(messages):
    """SenML times may be relative to now (RFC 8428 4.5.3): only `device_time_ns` may know what now was thought to be."""

    def heard(wall: list[float]) -> list[Reading]:
        said: list[Reading] = []
        looks = iter(wall)
        reader, now = MqttReader(NET, [TILT], said.append, lambda: 0, lambda: next(looks)), 0
        for value, wait, _ in messages:
            now += wait
            reader.deliver("yard/t", senml.pack([("t", "rad", value)]), False, now)
        return said

    steady = heard([1e9] * len(messages))
    jumping = heard([wall for _, _, wall in messages])
    assert [(r.channel, r.sequence, r.time_ns, r.value, r.quality) for r in steady] == [
        (r.channel, r.sequence, r.time_ns, r.value, r.quality) for r in jumping
    ]


def test_what_devices_think_the_time_is_changes_no_picture():
    journal = read_journal(RECORDING)
    entries = [it for it in journal.lines() if isinstance(it, Reading | Action | Tick | Notice)][:3000]
    rng = random.Random(5)
    strange = [
        Reading(it.channel, it.sequence, it.time_ns, rng.randrange(-(2**61), 2**61), it.value, it.quality)
        if isinstance(it, Reading)
        else it
        for it in entries
    ]
    rig = parse_rig(journal.header.rig)
    pictures = replayed(rig, entries)
    assert len(pictures) > 100
    assert pictures == replayed(rig, strange)


@pytest.mark.wires
@pytest.mark.fault("stopped")
def test_a_program_that_was_stopped_says_so_and_shows_nothing_from_before_as_live(tmp_path, wait_until, fault):
    """A real `inchwatch run` on a real drill over TCP, stopped for three seconds by the system and let go on."""
    command = [sys.executable, "-m", "monitor"]
    ports = [f"{name}=socket://127.0.0.1:0" for name in ("bench", "mast")]
    talker = subprocess.Popen(
        [*command, "drill", "one-bag", "--json", "--port", ports[0], "--port", ports[1]],
        cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
    )  # fmt: skip
    with talker, talker.stdout:
        try:
            found = json.loads(talker.stdout.readline())["ports"]
            where = [word for name, url in found.items() for word in ("--port", f"{name}={url}")]
            out = tmp_path / "out.jsonl"
            with out.open("w") as file:
                watcher = subprocess.Popen(
                    [*command, "run", str(RIG), "--headless", "--json", "--record", "it.jsonl", *where],
                    cwd=tmp_path, stdout=file, stderr=subprocess.PIPE, text=True,
                )  # fmt: skip

            def said(kind: str) -> list[dict]:
                lines = out.read_text().splitlines(keepends=True)
                return [it for line in lines if line.endswith("\n") and (it := json.loads(line))["kind"] == kind]

            with watcher, watcher.stderr:
                try:
                    wait_until(lambda: len(said("picture")) > 3, 30.0, "pictures")
                    wait_until(lambda: _all(said("picture")[-1], "ok"), 30.0, "live sensors")
                    watcher.send_signal(signal.SIGSTOP)
                    assert os.WIFSTOPPED(os.waitpid(watcher.pid, os.WUNTRACED)[1])
                    threading.Event().wait(3.0)
                    watcher.send_signal(signal.SIGCONT)
                    wait_until(lambda: [a for a in said("alarm") if a["rule"] == "behind-time"], 10.0, "the gap")
                    gap_s = said("alarm")[-1]["t"]  # a picture comes once a second: the last may be of before
                    wait_until(lambda: said("picture")[-1]["t"] > gap_s, 10.0, "a picture of after")
                    wait_until(lambda: _all(said("picture")[-1], "ok"), 20.0, "sensors that are heard again")
                    watcher.send_signal(signal.SIGINT)
                    assert watcher.wait(30.0) == 0
                    assert " old" in watcher.stderr.read()
                finally:
                    watcher.send_signal(signal.SIGCONT)
                    watcher.kill()
        finally:
            talker.kill()
    assert "did not run for 3 s" in next(a["text"] for a in said("alarm") if a["rule"] == "behind-time")
    journal = read_journal(tmp_path / "it.jsonl")
    entries = [it for it in journal.lines() if isinstance(it, Reading | Action | Tick | Notice)]
    gap = next(n for n, it in enumerate(entries) if isinstance(it, Notice) and it.kind == "behind-time")
    resumed_ns = entries[gap].time_ns
    assert journal.complete
    after = [it for it in entries if isinstance(it, Reading) and it.time_ns > resumed_ns - 1_000_000_000]
    for name in {it.channel for it in after}:
        mine = [it for it in after if it.channel == name and it.time_ns >= resumed_ns - 100_000_000]
        assert mine[0].quality is Quality.OLD, "what had waited is there, and old"
        assert mine[-1].quality is Quality.GOOD
    fault.replayed(tmp_path / "it.jsonl", resumed_ns)
    live, old = (
        [(it.channel, it.sequence) for it in entries if isinstance(it, Reading) and it.quality is quality]
        for quality in (Quality.GOOD, Quality.OLD)
    )
    fault.lost(whole(live + old), live, befell=old, old=old)


def _all(picture: dict, status: str) -> bool:
    return {it["status"] for it in picture["sensors"].values()} == {status}
