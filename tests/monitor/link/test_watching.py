"""When a follower may trust what it sees: every way in which it may not, and when that is said. No wire, no clock."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.engine.picture import Picture
from monitor.link import wire
from monitor.link.watching import FROZEN_S, SILENT_S, Watching

from .published import (
    alarms_message,
    picture_message,
    pictures_of,
    presence_message,
    rig_message,
    rig_text,
)

NAME = "yard-panel"
TENTH = 0.1


def pictures() -> tuple[Picture, ...]:
    return pictures_of("leaning")[1]


class Heard:
    """A rig as it is heard, and an operator's monitor that says ten pictures a second."""

    def __init__(self) -> None:
        self.it, self.now_s, self.beat = Watching(NAME), 1000.0, 0

    def pictures(self, seconds: float, session: str = "a", *, frozen: bool = False, **more) -> None:
        for _ in range(round(seconds / TENTH)):
            self.now_s += TENTH
            self.beat += not frozen
            said = {"session": session, "beat": self.beat, "sent": self.now_s - 990.0} | more
            self.it.take("picture", picture_message(pictures()[min(self.beat, 500)], **said), self.now_s)

    @property
    def trouble(self) -> str:
        return self.it.trouble(self.now_s)


@pytest.fixture
def heard():
    return Heard()


def test_nothing_is_trusted_before_the_first_picture(heard):
    assert heard.trouble.startswith("SILENT")
    heard.pictures(TENTH)
    assert heard.trouble == ""
    assert heard.it.picture == replace(pictures()[1], transitions=(), sensors=heard.it.picture.sensors)


def test_silence_is_said_within_two_seconds_and_over_with_the_next_picture(heard):
    heard.pictures(3.0)
    heard.now_s += SILENT_S
    assert heard.trouble == ""
    heard.now_s += 0.01
    assert heard.trouble.startswith("SILENT")
    assert SILENT_S < 2.0
    heard.pictures(TENTH)
    assert heard.trouble == ""


def test_a_picture_that_stands_while_messages_come_is_frozen(heard):
    heard.pictures(3.0)
    heard.pictures(FROZEN_S - TENTH, frozen=True)
    assert heard.trouble == ""
    heard.pictures(2 * TENTH, frozen=True)
    assert heard.trouble.startswith("FROZEN")
    heard.pictures(TENTH)
    assert heard.trouble == ""


@pytest.mark.parametrize(("why", "word"), [("lost", "is lost"), ("ended", "was ended")])
def test_a_will_and_a_good_bye_are_told_apart_and_over_when_it_is_back(heard, why, word):
    heard.it.take("presence", presence_message("here"), heard.now_s)
    heard.pictures(1.0)
    heard.it.take("presence", presence_message(why), heard.now_s)
    assert heard.trouble.startswith("GONE")
    assert word in heard.trouble
    assert not heard.it.live
    heard.pictures(TENTH)  # an old will that came late: the pictures are the truth
    assert heard.trouble == ""


def test_a_will_kept_by_the_broker_tells_who_comes_late(heard):
    heard.it.take("presence", presence_message("lost"), heard.now_s, kept=True)
    assert heard.trouble.startswith("GONE")


def test_a_monitor_begun_anew_is_followed_at_once_after_the_good_bye_and_else_after_the_silence(heard):
    heard.pictures(1.0)
    heard.it.take("presence", presence_message("ended"), heard.now_s)
    heard.beat = 0
    heard.pictures(TENTH, "b")
    assert (heard.it.session, heard.trouble) == ("b", "")
    heard.now_s += SILENT_S + 0.1
    heard.pictures(TENTH, "c")
    assert (heard.it.session, heard.trouble) == ("c", "")


def test_two_monitors_of_one_rig_are_said_and_neither_flickers(heard):
    for session, began in (("a", 1.7e9), ("b", 1.7e9 + 60)):
        heard.it.take("rig", rig_message(NAME, rig_text(NAME), session, began), heard.now_s)
    heard.pictures(1.0, "a")
    for _ in range(20):
        heard.pictures(TENTH, "b")
        heard.pictures(TENTH, "a")
        assert heard.it.session == "a"
        assert heard.trouble == f"TWO monitors announce '{NAME}' (begun 22:13:20 UTC and 22:14:20 UTC): end one"
    heard.pictures(SILENT_S + TENTH, "a")
    assert heard.trouble == ""


def test_pictures_that_a_network_held_up_are_said_to_be_late(heard):
    heard.pictures(5.0)
    sent = heard.now_s - 990.0
    heard.now_s += 3.0
    for i in range(29):  # all at once, as a broker that stood still hands them over
        heard.beat += 1
        said = picture_message(pictures()[heard.beat], beat=heard.beat, sent=sent + 0.1 * i)
        heard.it.take("picture", said, heard.now_s)
        assert heard.trouble.startswith("LATE") is (3.0 - 0.1 * i > 1.0), i
    heard.pictures(1.0)
    assert heard.trouble == ""


def test_what_is_late_for_minutes_does_not_become_usual(heard):
    heard.pictures(5.0)
    heard.now_s += 4.0
    for _ in range(200):
        heard.now_s += 1.0
        heard.beat += 1
        said = picture_message(pictures()[1], beat=heard.beat, sent=heard.now_s - 994.0)
        heard.it.take("picture", said, heard.now_s)
    assert heard.trouble.startswith("LATE")


def test_clocks_that_drift_apart_are_not_late(heard):
    """Two computers' clocks a ten-thousandth apart: 1.4 s in four hours, of which a minute counts."""
    for minute in range(4 * 60):
        heard.now_s += 60.0
        said = picture_message(pictures()[1], beat=minute, sent=(heard.now_s - 990.0) * 0.9999)
        heard.it.take("picture", said, heard.now_s)
        assert heard.trouble == ""


def test_changes_of_alarms_are_told_once_and_none_is_lost_where_messages_are(heard):
    heard.pictures(TENTH)
    moments = [it for it in pictures() if it.transitions]
    first, n = moments[0], len(moments[0].transitions)
    heard.it.take("alarms", alarms_message(first), heard.now_s, kept=True)
    stood = heard.it.changes()
    assert sorted(it.alarm.text for it in stood) == sorted(it.text for it in first.alarms)
    assert heard.it.changes() == ()
    told = []
    for moment in moments[1:]:
        for _ in range(2):  # at least once, says QoS 1
            heard.it.take("alarms", alarms_message(moment, n), heard.now_s)
        n += len(moment.transitions)
        told += heard.it.changes()
    assert told == [it for moment in moments[1:] for it in moment.transitions]
    assert heard.it.counts["missed"] == 0


STRANGE = {
    "picture": [
        b"",
        b"{}",
        b"\xff",
        b"null",
    ],
    "presence": [b"offline", presence_message("away"), b'{"v":1,"session":"a"}'],
    "alarms": [b"[]", b'{"v":1,"session":"a","standing":[{}],"changes":[]}'],
    "rig": [b"1", b'{"v":1,"session":"","rig":1}'],
    "call": [b"stop", b'{"v":3,"do":"stop"}', b'{"v":1,"do":"set-limit","limit":9}'],
}


@pytest.mark.parametrize("leaf", wire.LEAVES)
def test_what_is_no_message_is_counted_said_and_changes_nothing(heard, leaf):
    heard.pictures(1.0)
    before = heard.it.picture, heard.it.session
    nearly = (
        [picture_message(pictures()[0], v=2), picture_message(pictures()[0], beat="1")] if leaf == "picture" else []
    )
    for at, payload in enumerate(STRANGE[leaf] + nearly, 1):
        heard.it.take(leaf, payload, heard.now_s)
        assert heard.it.counts["malformed"] == at
        assert heard.it.odd.startswith(f"{leaf}: found")
        assert heard.it.odd.isprintable()
    assert (heard.it.picture, heard.it.session, heard.trouble) == (*before, "")


def test_pictures_of_another_time_or_rig_are_counted_and_not_shown(heard):
    heard.pictures(1.0)
    shown = heard.it.picture
    later = picture_message(pictures()[50], beat=99)
    heard.it.take("picture", later, heard.now_s, kept=True)
    heard.it.take("picture", picture_message(pictures()[2], beat=2), heard.now_s)
    assert heard.it.counts["old"] == 2
    heard.it.take("picture", picture_message(replace(pictures()[50], rig="other"), beat=99), heard.now_s)
    assert heard.it.counts["mislabelled"] == 1
    assert heard.it.picture is shown


def test_sessions_without_end_fill_no_memory(heard):
    heard.pictures(1.0)
    for i in range(100):
        heard.it.take("picture", picture_message(pictures()[0], session=f"s{i}"), heard.now_s)
        heard.it.take("call", wire.encode({"do": "stop", "by": "x", "id": f"c{i}"}), heard.now_s)
        heard.pictures(TENTH)
    assert heard.it.session == "a"
    assert len(heard.it._sessions) <= 4
    assert len(heard.it._called) <= wire.CALLS


def test_a_call_stands_until_the_engine_has_it_and_no_longer_than_a_minute(heard):
    heard.pictures(1.0)
    call = wire.encode({"do": "stop", "by": "officer", "reason": "wind", "id": "c1"})
    heard.it.take("call", call, heard.now_s, kept=True)
    assert heard.it.called(heard.now_s) is None, "what the broker kept is of another time"
    heard.it.take("call", call, heard.now_s)
    said = heard.it.called(heard.now_s)
    assert (said.by, said.reason) == ("officer", "wind")
    heard.pictures(TENTH, calls=["c1"])
    assert heard.it.called(heard.now_s) is None
    heard.it.take("call", wire.encode({"do": "stop", "by": "officer", "id": "c2"}), heard.now_s)
    assert heard.it.called(heard.now_s + 59.0) is not None
    assert heard.it.called(heard.now_s + 61.0) is None
