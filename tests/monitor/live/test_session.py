"""The live loop by itself: order, what is kept first, and that a failure is never silent."""

from __future__ import annotations

import io
import itertools
import threading
from importlib.resources import files

import pytest

from drivers.kinds.mqtt import MqttPort
from drivers.reading import Reading
from monitor.engine.picture import Picture
from monitor.live import typed
from monitor.live.headless import Lines, print_until
from monitor.live.session import Session
from monitor.rig.load import parse_rig
from replay.entries import Action, Tick


@pytest.fixture
def rig():
    return parse_rig(files("monitor.drill").joinpath("rigs/training-yard.toml").read_text(encoding="utf-8"))


class Kept:
    def __init__(self) -> None:
        self.entries, self.alarms, self.closed = [], [], False

    def write(self, entry) -> None:
        self.entries.append(entry)

    def alarm(self, it) -> None:
        self.alarms.append((it, self.entries[-1]))

    def close(self) -> None:
        self.closed = True


@pytest.fixture
def session(rig):
    it = Session(rig)
    yield it
    it.stop()


def test_the_first_entry_is_a_tick_at_zero_and_ticks_come_twenty_times_a_second(session, wait_until):
    kept = Kept()
    session.start([], kept)
    wait_until(lambda: sum(isinstance(e, Tick) for e in kept.entries) > 20)
    session.stop()
    assert kept.entries[0] == Tick(0)
    times = [e.time_ns for e in kept.entries if isinstance(e, Tick)]
    assert times == sorted(times)
    assert (times[-2] - times[0]) / (len(times) - 2) == pytest.approx(50e6, rel=0.1)
    assert kept.closed


def test_an_action_is_kept_before_the_picture_that_answers_it(session, wait_until):
    kept = Kept()
    session.start([], kept)
    session.send("note", text="wind")
    wait_until(lambda: session.latest() is not None and session.latest().answer is not None)
    session.stop()
    at = next(i for i, entry in enumerate(kept.entries) if isinstance(entry, Action))
    assert kept.entries[at].details == {"text": "wind"}
    assert isinstance(kept.entries[at + 1], Tick)


def test_alarms_are_kept_after_the_tick_that_raised_them(session, wait_until):
    kept = Kept()
    session.start([], kept)
    session.send("stop", reason="x")
    wait_until(lambda: kept.alarms)
    session.stop()
    transition, before = kept.alarms[0]
    assert isinstance(before, Tick)
    assert transition.time_ns == before.time_ns


def test_recorder_trouble_becomes_an_alarm(session, wait_until):
    session.start([])
    session.trouble(True, "the disk is full", True)
    wait_until(lambda: session.latest() and any(a.rule == "recorder" for a in session.latest().alarms))
    session.trouble(False, "recording again", False)
    wait_until(lambda: not any(a.active for a in session.latest().alarms if a.rule == "recorder"))


@pytest.mark.fault("swamped")
def test_a_queue_that_grows_is_said_and_nothing_in_it_is_lost(session, monkeypatch, wait_until, fault):
    monkeypatch.setattr("monitor.live.session._QUEUE_BOUND", 50)
    seen: list[Picture] = []
    gate = threading.Event()

    def slow(picture: Picture) -> None:
        seen.append(picture)
        if len(seen) == 3:
            gate.wait(10.0)

    kept = Kept()
    session.on_picture = slow
    session.start([], kept)
    wait_until(lambda: len(seen) == 3)
    begun_ns = session.clock()
    for i in range(300):
        session._queue.put(Reading("H1", i, session.clock(), None, 0.5))
    wait_until(lambda: session.clock() - seen[-1].time_ns > 100_000_000, what="a tick that is overdue")
    gate.set()
    wait_until(lambda: any(a.rule == "behind-time" for p in seen for a in p.alarms))
    wait_until(lambda: sum(isinstance(e, Reading) for e in kept.entries) == 300)
    wait_until(lambda: not any(a.active for a in seen[-1].alarms if a.rule == "behind-time"))
    fault.seen(seen, begun_ns)
    fault.lost(list(range(300)), [it.sequence for it in kept.entries if isinstance(it, Reading)])


def test_readings_that_come_faster_than_they_are_taken_in_do_not_hold_the_alarms_back(rig, wait_until):
    """A millisecond passes with every entry that is kept, by the session's own clock alone."""
    passed = itertools.count(step=1_000_000)
    now = [0]

    class Slow(Kept):
        def write(self, entry) -> None:
            super().write(entry)
            now[0] = next(passed)

    session, kept = Session(rig, now_ns=lambda: now[0]), Slow()
    name = rig.channel[0].name
    for k in range(3000):
        session._queue.put(Reading(name, k, 0, None, 0.5))
    session.start([], kept)
    wait_until(lambda: sum(isinstance(e, Reading) for e in kept.entries) == 3000)
    session.stop()
    times = [e.time_ns for e in kept.entries if isinstance(e, Tick)]
    assert max(b - a for a, b in itertools.pairwise(times)) <= 0.36e9
    assert [e.sequence for e in kept.entries if isinstance(e, Reading)] == list(range(3000))


def test_an_engine_that_fails_ends_a_headless_run_and_says_so(session):
    lines, stop, out = Lines("metric", True, 0.0), threading.Event(), io.StringIO()

    def broken(picture: Picture) -> None:
        lines.take(picture)
        if picture.time_ns > 100_000_000:
            raise RuntimeError("a fault put in")

    session.on_picture, session.on_failure = broken, stop.set
    session.start([])
    print_until(lines, out, stop, 60.0, session.stop)
    assert isinstance(session.failure, RuntimeError)
    assert out.getvalue().count('"kind":"picture"') >= 1


def test_stopping_twice_or_before_the_start_is_fine(rig):
    it = Session(rig)
    it.stop()
    it.stop()


def test_brokers_that_do_not_answer_hold_nobody_up_at_the_end(rig, mute, at_most):
    # A connection is given up after 3 s: as much for each broker would be waited for otherwise.
    away = [MqttPort(name=name, driver="mqtt", host="127.0.0.1", port=mute) for name in ("a", "b")]
    it = Session(rig)
    it.start(away)
    with at_most(2.0, "stopping"):
        it.stop()
    for port in it._ports:  # each has given up by then, and lets go of its thread
        port._thread.join(10.0)
        assert not port._thread.is_alive()


@pytest.mark.parametrize(
    ("line", "verb", "details"),
    [
        ('{"do": "zero"}', "zero", {}),
        ('{"do": "cribbed", "height": "50 mm", "at": "N1"}', "cribbed", {"height_m": 0.05, "at": "N1"}),
        (
            '{"do": "shelve", "rule": "tilt", "about": "load", "for": "1 min"}',
            "shelve",
            {"rule": "tilt", "about": "load", "for_s": 60.0},
        ),
        ('{"do": "stop", "reason": "x"}', "stop", {"reason": "x"}),
    ],
)
def test_actions_as_lines(line, verb, details):
    assert typed.parse(line) == (verb, details)


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("", "not JSON"),
        ("[]", "one JSON object"),
        ("{}", '"do"'),
        ('{"do": 5}', '"do"'),
        ('{"do": "zero", "x": 1}', "no other key"),
        ('{"do": "note", "text": 5}', "a text"),
        ('{"do": "cribbed", "height": "high"}', "such as"),
        ("\ufffd{", "not JSON"),
    ],
)
def test_what_is_no_action_is_a_sentence(line, says):
    with pytest.raises(typed.BadAction, match=says) as caught:
        typed.parse(line)
    assert "\n" not in str(caught.value)
