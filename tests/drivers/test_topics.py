"""Topic filters against the standard's own examples, against paho's matcher, and against themselves."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from drivers import topics

LEVEL = st.text("ab$", max_size=2)
TOPICS = st.lists(LEVEL, min_size=1, max_size=4).map("/".join).filter(lambda it: it)
PLAIN = st.lists(LEVEL | st.just("+"), min_size=1, max_size=4).map("/".join).filter(lambda it: it)
FILTERS = PLAIN | PLAIN.map("{}/#".format) | st.just("#")


@pytest.mark.parametrize(
    ("given", "topic", "taken"),
    [  # MQTT 5.0 sections 4.7.1.3, 4.7.2 and 4.8.2
        ("sport/tennis/+", "sport/tennis/player1", True),
        ("sport/tennis/+", "sport/tennis/player1/ranking", False),
        ("sport/+", "sport", False),
        ("sport/+", "sport/", True),
        ("+/+", "/finance", True),
        ("/+", "/finance", True),
        ("+", "/finance", False),
        ("+/monitor/Clients", "$SYS/monitor/Clients", False),
        ("$SYS/monitor/+", "$SYS/monitor/Clients", True),
        ("$share/consumer1/sport/tennis/+", "sport/tennis/player1", True),
        ("ACCOUNTS", "Accounts", False),
        ("sport/tennis/player1/#", "sport/tennis/player1", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", True),
        ("sport/#", "sport", True),
        ("#", "sport", True),
        ("+/tennis/#", "sport/tennis/player1", True),
        ("#", "$SYS/monitor/Clients", False),
        ("$SYS/#", "$SYS/monitor/Clients", True),
    ],
)
def test_the_standard_s_examples(given, topic, taken):
    assert topics.matches(given, topic) is taken
    assert re.fullmatch(topics.FILTER, given)


@pytest.mark.parametrize("given", ["a#", "a/#/b", "#/a", "##", "a+", "a/b+/c", "a\x00"])
def test_what_is_no_filter_here(given):
    assert not re.fullmatch(topics.FILTER, given)


@given(FILTERS, TOPICS)
def test_the_same_is_taken_as_by_the_client_library(given, topic):
    assert topics.matches(given, topic) == topic_matches_sub(given, topic)


@given(FILTERS, FILTERS, TOPICS)
def test_covering_and_overlapping_say_what_topics_show(one, other, topic):
    taken = [topics.covers(it, topic) for it in (one, other)]
    if all(taken):
        assert topics.overlap(one, other)
    if topics.covers(one, other) and taken[1]:
        assert taken[0]
    assert topics.overlap(one, other) == topics.overlap(other, one)
    assert topics.overlap(one, topics.example(one))


@given(st.lists(FILTERS, max_size=6), TOPICS)
def test_what_is_needed_takes_what_all_take_and_covers_nothing_of_its_own(filters, topic):
    needed = topics.needed(filters)
    assert any(topics.covers(it, topic) for it in needed) == any(topics.covers(it, topic) for it in filters)
    assert not any(topics.covers(a, b) for a in needed for b in needed if a != b)


def test_a_shared_filter_is_needed_beside_one_that_covers_it():
    assert topics.needed(["$share/g/a/b", "a/+", "a/b"]) == ["$share/g/a/b", "a/+"]


@given(FILTERS)
def test_every_filter_here_is_one_of_the_standard(given):
    assert re.fullmatch(topics.FILTER, given)
