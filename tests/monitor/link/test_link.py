"""The link on a real broker: who comes late sees the truth, STOP goes both ways, and nothing on the network does more."""

from __future__ import annotations

import threading
import time
from dataclasses import replace
from itertools import pairwise

import pytest
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from drivers.kinds.mqtt import Broker
from monitor.engine.engine import Engine
from monitor.link import wire
from monitor.link.discovery import MOST
from monitor.link.follower import OnlyStop
from replay.entries import Tick

from .conftest import NAME
from .published import picture_message, presence_message, rig_message, rig_of, rig_text

pytestmark = [pytest.mark.broker, pytest.mark.wires]


@pytest.fixture
def stranger(broker):
    """A client that says whatever it likes."""
    it = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    it.connect(broker.host, broker.port)
    it.loop_start()
    yield lambda leaf, payload, **more: it.publish(wire.topic(NAME, leaf), payload, 1, **more).wait_for_publish(10.0)
    it.disconnect()
    it.loop_stop()


def trusted(it):
    return lambda: it.latest() is not None and not it.trouble


def test_who_comes_late_sees_the_truth_within_a_second(operator, following, wait_until):
    at = operator()
    at.session.send("note", text="wind is up")
    at.session.send("stop", reason="hold it")
    wait_until(lambda: at.session.latest() and at.session.latest().stop_called)
    first = following()
    wait_until(trusted(first), what="the first follower")  # pays for what a program loads once
    began = time.monotonic()
    late = following()
    wait_until(trusted(late), what="the late follower")
    assert time.monotonic() - began < 1.0
    assert late.latest().stop_called == "operator: hold it"
    assert late.rig == at.session.rig
    assert late.recording.endswith("recording to it.jsonl")
    assert late.wall_start_s == at.session.wall_start_s
    stood = late.changes()
    assert [it.alarm.rule for it in stood if it.alarm.rule == "stop-called"] == ["stop-called"]


def test_a_stop_of_a_follower_is_everywhere_kept_and_confirmed(operator, following, wait_until):
    at = operator()
    officer, other, all_of_them = following(who="Ada Example"), following(), following(None)
    wait_until(lambda: trusted(officer)() and trusted(other)() and all_of_them.rows())
    began = time.monotonic()
    officer.send("stop", reason="a person under the load")
    assert officer.call_state == "STOP called, not confirmed yet"
    said = "Ada Example: a person under the load"
    wait_until(lambda: other.latest().stop_called == said, what="STOP at the other")
    assert time.monotonic() - began < 1.5, "0.3 s on a computer that does nothing else: tests/bench/bench_link.py"
    wait_until(lambda: officer.call_state == "STOP confirmed by the operator's monitor")
    wait_until(lambda: all_of_them.rows()[0][1].stop_called == said)
    (kept,) = at.actions("stop")
    assert (kept.by, dict(kept.details)) == ("Ada Example", {"reason": "a person under the load"})
    assert other.call_state == ""
    at.session.send("clear-stop")
    wait_until(lambda: other.latest().stop_called is None and officer.call_state == "")


def test_a_follower_says_stop_and_nothing_else(operator, following, wait_until):
    at, it = operator(), following()
    wait_until(trusted(it))
    for verb in ("clear-stop", "acknowledge", "zero", "next", "note"):
        with pytest.raises(OnlyStop, match=f"found '{verb}': over the network only STOP is said"):
            it.send(verb)
    assert at.actions("stop") == []


def test_a_stop_that_nobody_takes_is_said_to_be_not_confirmed(following, wait_until, operator):
    at = operator()
    officer, other = following(who="Ada"), following()
    wait_until(lambda: trusted(officer)() and trusted(other)())
    at.end()
    officer.send("stop", reason="now")
    wait_until(lambda: officer.call_state == "STOP NOT CONFIRMED by the operator's monitor: shout")
    wait_until(lambda: other.call_state == "STOP called by Ada: now; NOT CONFIRMED by the operator's monitor: shout")


NO_CALLS = (
    b"", b"\xff\x00", b"STOP", b"[1]", b'{"do":"stop"}', b'{"v":2,"do":"stop","id":"1"}', b"[" * 5000,
    b'{"v":1,"do":"clear-stop","by":"x","id":"2"}', b'{"v":1,"do":"acknowledge","by":"x","id":"3","rule":"lean"}',
    b'{"v":1,"do":"set","limits":{"tilt":9},"by":"x","id":"4"}', b'{"v":1,"do":"zero","by":"x","id":"5"}',
    b"x" * 400_000,
)  # fmt: skip


def test_no_message_but_stop_does_anything_and_each_is_counted(operator, following, stranger, wait_until, capfd):
    at, it = operator(), following()
    wait_until(trusted(it))
    at.session.send("stop", reason="mine")
    wait_until(lambda: it.latest().stop_called)
    for payload in NO_CALLS:
        stranger("call", payload)
        for leaf in ("rig", "picture", "alarms", "presence"):
            stranger(leaf, payload)
    stranger("call", wire.encode({"do": "stop", "by": "kept", "id": "k"}), retain=True)
    stranger("call", b"", retain=True)
    stranger("call", wire.encode({"do": "stop", "by": "last", "reason": "", "id": "z", "limit": 1}))
    wait_until(lambda: it.latest().stop_called == "last")
    did = [(entry.do, entry.by) for entry in at.kept.entries if hasattr(entry, "do")]
    assert [it for it in did if it != ("stop", "kept")] == [("stop", "operator"), ("stop", "last")]
    assert it.counters()["malformed"] >= 4 * (len(NO_CALLS) - 4)
    assert it.odd.isprintable()
    wait_until(trusted(it))
    at.end()
    said = capfd.readouterr().err
    assert "inchwatch run: the link: found a call of STOP with a strange limit; it was taken" in said
    assert "Traceback" not in said


def test_a_flood_of_stops_is_one_and_each_is_confirmed(operator, following, stranger, wait_until):
    at, it = operator(), following()
    wait_until(trusted(it))
    for i in range(300):
        stranger("call", wire.encode({"do": "stop", "by": f"caller {i % 7}", "reason": "x", "id": f"{i}"}))
    it.send("stop", reason="and mine")
    wait_until(lambda: it.call_state == "STOP confirmed by the operator's monitor")
    taken = len(at.actions("stop"))
    assert 1 <= taken <= 100, "all those before STOP stands in a picture, and then ten a second"


def test_a_call_that_comes_twice_is_one_action(operator, following, stranger, wait_until):
    at, it = operator(), following()
    wait_until(trusted(it))
    call = wire.encode({"do": "stop", "by": "Ada", "reason": "x", "id": "once"})
    stranger("call", call)
    wait_until(lambda: it.latest().stop_called)
    at.session.send("clear-stop")
    wait_until(lambda: it.latest().stop_called is None)
    stranger("call", call)
    stranger("call", wire.encode({"do": "stop", "by": "Bea", "reason": "y", "id": "other"}))
    wait_until(lambda: it.latest().stop_called == "Bea: y")
    assert len(at.actions("stop")) == 2


def test_a_good_bye_is_told_from_a_loss_and_a_new_session_is_followed(operator, following, wait_until):
    at, it = operator(), following()
    wait_until(trusted(it))
    first = it.session
    at.end()
    wait_until(lambda: it.trouble == "GONE: the operator's monitor was ended", 2.0)
    operator()
    wait_until(trusted(it))
    assert it.session != first


def test_an_engine_that_stands_is_frozen_within_two_seconds(operator, following, wait_until):
    at, it = operator(), following()
    wait_until(trusted(it))
    stuck, go_on = threading.Event(), threading.Event()

    class Sticking:
        def write(self, entry) -> None:
            if stuck.is_set():
                go_on.wait(20.0)

        def alarm(self, _it) -> None:
            pass

        def close(self) -> None:
            pass

    at.session._keeper = Sticking()
    began = time.monotonic()
    stuck.set()
    try:
        wait_until(lambda: it.trouble.startswith("FROZEN"), what="FROZEN")
        assert time.monotonic() - began < 2.0
        it.send("stop", reason="does nobody hear?")
        wait_until(lambda: it.call_state == "STOP NOT CONFIRMED by the operator's monitor: shout")
    finally:
        stuck.clear()
        go_on.set()
    wait_until(lambda: it.trouble == "")
    wait_until(lambda: it.call_state == "STOP confirmed by the operator's monitor", what="the STOP that waited")


def test_a_broker_that_stands_still_is_silent_within_two_seconds_and_the_operator_goes_on(
    operator, following, broker, wait_until
):
    at, it = operator(), following()
    wait_until(trusted(it))
    broker.stall(True)
    began, before = time.monotonic(), len(at.kept.entries)
    wait_until(lambda: it.trouble.startswith("SILENT"), what="SILENT")
    assert time.monotonic() - began < 2.0
    wait_until(lambda: len(at.kept.entries) > before + 100, what="five seconds of ticks")
    times = [entry.time_ns for entry in at.kept.entries[before:]]
    assert max(b - a for a, b in pairwise(times)) < 1e9
    broker.stall(False)
    wait_until(trusted(it), 20.0, "the follower is back")


def test_a_broker_that_dies_touches_nobody_and_all_come_back_by_themselves(operator, following, broker, wait_until):
    at, it, other = operator(), following(), following()
    wait_until(lambda: trusted(it)() and trusted(other)())
    broker.stop()
    before = len(at.kept.entries)
    wait_until(lambda: it.trouble.startswith("SILENT"), 2.5)
    wait_until(lambda: "nobody can follow: " in at.session.recording)
    wait_until(lambda: it.trouble.startswith("SILENT: no link to the broker, "))
    at.session.send("stop", reason="while it was away")
    wait_until(lambda: at.session.latest().stop_called)
    wait_until(lambda: len(at.kept.entries) > before + 40)
    broker.start()
    wait_until(lambda: trusted(it)() and trusted(other)(), 20.0, "the followers are back")
    assert it.latest().stop_called == "operator: while it was away"
    wait_until(lambda: at.session.recording == "recording to it.jsonl")


def test_a_session_begins_and_ends_without_its_broker(operator, mute, wait_until):
    """Neither a port where nobody listens nor one that neither answers nor refuses is waited for."""
    for port in (1, mute):
        began = time.monotonic()
        at = operator(at=Broker(host="127.0.0.1", port=port))
        wait_until(lambda at=at: at.session.latest() is not None and at.session.latest().time_ns > 5e8)
        at.end()
        assert time.monotonic() - began < 5.0
    wait_until(lambda: not any(it.name == "port:link" for it in threading.enumerate()), what="the tries' own end")


def test_two_monitors_of_one_rig_are_told_to_all(operator, following, wait_until):
    first, second = operator(), operator()
    it = following()
    wait_until(lambda: it.trouble.startswith(f"TWO monitors announce '{NAME}'"))
    said = f"another monitor announces '{NAME}' too: end one, or give one rig another name"
    wait_until(lambda: said in first.session.recording and said in second.session.recording)
    second.end()
    wait_until(trusted(it), what="one monitor alone")
    wait_until(lambda: first.session.recording == "recording to it.jsonl")


def test_all_rigs_are_seen_and_the_worst_stands_first(operator, following, wait_until):
    quiet, stopped, gone = operator("a-quiet"), operator("b-stopped"), operator("c-gone")
    it = following(None)
    wait_until(lambda: len(it.rows()) == 3 and all(row[1] for row in it.rows()))
    stopped.session.send("stop", reason="x")
    gone.end()
    wait_until(lambda: [row[0] for row in it.rows()] == ["c-gone", "b-stopped", "a-quiet"], what="the order")
    assert [row[2] for row in it.rows()] == ["GONE: the operator's monitor was ended", "", ""]
    assert it.names() == ["a-quiet", "b-stopped"], "one that was ended is none to be chosen"
    assert it.feed("nobody") is None
    feed = it.feed("a-quiet")
    assert feed.rig == quiet.session.rig
    with pytest.raises(OnlyStop):
        it.send("a-quiet", "zero")
    it.send("a-quiet", "stop", reason="from afar")
    wait_until(lambda: feed.call_state == "STOP confirmed by the operator's monitor")
    assert feed.latest().stop_called == "safety officer: from afar"
    assert [(a.by, a.details["reason"]) for a in quiet.actions("stop")] == [("safety officer", "from afar")]
    assert len(stopped.actions("stop")) == 1


def test_a_broker_that_babbles_fills_no_memory(following, stranger, broker, wait_until):
    it = following(None)
    wait_until(lambda: not it.down and it.asked.is_set())
    talker = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    talker.connect(broker.host, broker.port)
    talker.loop_start()
    for i in range(3 * MOST):
        talker.publish(f"inchwatch/r{i}/presence", b"x" if i % 2 else presence_message("here"), 1)
    talker.publish("inchwatch/last/presence", presence_message("here"), 1).wait_for_publish(10.0)
    wait_until(lambda: it.counters()["unknown_id"] > 0)
    talker.disconnect()
    talker.loop_stop()
    assert len(it.rows()) <= MOST


def test_a_follower_of_one_rig_takes_nothing_of_another(operator, following, wait_until):
    operator("left")
    right = operator("right")
    it = following("left")
    wait_until(trusted(it))
    right.session.send("stop", reason="x")
    wait_until(lambda: right.session.latest().stop_called)
    it.send("stop", reason="mine")
    wait_until(lambda: it.latest().stop_called)
    assert len(right.actions("stop")) == 1


def test_a_rig_that_cannot_be_read_is_said_and_its_pictures_are_there_for_programs(following, stranger, wait_until):
    it = following()
    wait_until(lambda: it.link.down_since_s is None, what="the subscription: what is said before is not heard")
    picture = replace(Engine(rig_of(NAME)).feed(Tick(0)), rig=NAME)
    for at, document in enumerate(("no [rig", 'version = 1\n[[port]]\nname = "x"\ndriver = "of another house"\n')):
        stranger("rig", rig_message(NAME, document, f"s{at}"))
        wait_until(lambda at=at: it.counters()["malformed"] > at)
    stranger("picture", picture_message(picture, session="s1"))
    wait_until(lambda: it.picture is not None)
    assert it.latest() is None
    assert not it.ready
    wait_until(lambda: it.trouble.startswith("UNREADABLE rig: found ") or it.trouble.startswith("SILENT"))
    stranger("rig", rig_message(NAME, rig_text(NAME), "s1"))
    stranger("picture", picture_message(picture, session="s1", beat=2))
    wait_until(lambda: it.latest() is not None and it.rig == rig_of(NAME))
