"""A followed rig as a feed, message by message, without a wire."""

from __future__ import annotations

from collections import Counter

import pytest

from drivers.kinds.mqtt import Broker
from monitor.engine.engine import Engine
from monitor.link.followed import Followed, Link
from monitor.screens.safety import SafetyScreen
from replay.entries import Tick

from .published import picture_message, presence_message, rig_message, rig_of, rig_text

NAME = "training-yard"


@pytest.fixture
def feed():
    return Followed(NAME, Broker(host="localhost"), "", lambda: 0.0, Link(0.0), lambda: None, Counter())


def heard(it, leaf, payload):
    it.heard_of(leaf, payload, kept=False)


def test_a_rig_that_was_known_stays_so_when_another_monitor_goes_on_that_has_not_said_its_own(feed):
    """Between the look whether a screen can be drawn and the first drawing, the operator's monitor may be begun anew."""
    picture = Engine(rig_of(NAME)).feed(Tick(0))
    with pytest.raises(LookupError, match="is not known yet"):
        feed.rig  # noqa: B018
    heard(feed, "presence", presence_message("here"))
    heard(feed, "rig", rig_message(NAME, rig_text(NAME)))
    heard(feed, "picture", picture_message(picture))
    assert feed.ready
    heard(feed, "presence", presence_message("ended"))
    heard(feed, "picture", picture_message(picture, session="b"))
    assert (feed.session, feed.ready, feed.latest()) == ("b", False, None)
    assert feed.rig == rig_of(NAME)
    assert SafetyScreen(feed).officer.view.rig == rig_of(NAME)
    changed = rig_text(NAME).replace('units = "metric"', 'units = "us"')
    heard(feed, "rig", rig_message(NAME, changed, session="b"))
    assert feed.ready
    assert feed.rig.rig.units == "us"


def test_a_rig_that_an_older_monitor_read_is_followed_as_it_reads_it(feed):
    """What is only refused since then, such as true for a whole number, is no reason to see nothing of its lift."""
    older = rig_text(NAME).replace("version = 1\n", "version = true\n", 1)
    assert older != rig_text(NAME)
    heard(feed, "presence", presence_message("here"))
    heard(feed, "rig", rig_message(NAME, older))
    heard(feed, "picture", picture_message(Engine(rig_of(NAME)).feed(Tick(0))))
    assert feed.ready
    assert feed.rig == rig_of(NAME)
