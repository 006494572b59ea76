"""Whom a bus asks next, played in a time of its own: everything here is counted, nothing is waited for."""

from __future__ import annotations

from collections import Counter

from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.registers import Span
from drivers.rounds import Rounds

TIMEOUT_S, TAKES_S = 0.2, 0.01
TIMEOUTS_S = dict.fromkeys(range(1, 248), TIMEOUT_S)


def played(spans, alive, seconds):
    """How often each span is asked for when only some stations answer, in `TAKES_S`."""
    rounds, now_s, asked = Rounds(spans, TIMEOUTS_S, 0.0), 0.0, Counter()
    while True:
        span, due_s = rounds.next_turn()
        now_s = max(now_s, due_s)
        if now_s > seconds:
            return asked
        asked[span] += 1
        if span.station in alive:
            now_s += TAKES_S
            rounds.answered(span, now_s)
        else:
            now_s += TIMEOUT_S
            rounds.missed(span, now_s)


def one(station, every_s=0.1, register=0):
    return Span(station, "holding", register, 1, every_s)


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 30), st.integers(1, 4))
def test_silent_stations_together_take_a_twentieth_and_no_more(silent, alive):
    """Two minutes at ten requests a second: what is left of it, less the first try of each silent one."""
    living = [one(station) for station in range(1, alive + 1)]
    dead = [one(100 + station) for station in range(silent)]
    asked = played(living + dead, set(range(1, alive + 1)), 120.0)
    tries = sum(asked[span] for span in dead)
    assert silent <= tries <= silent + 120.0 * 0.05 / TIMEOUT_S
    for span in living:
        assert asked[span] >= (120.0 - silent * TIMEOUT_S) * 10.0 * 0.94


def test_every_silent_station_is_tried_again_and_again():
    asked = played([one(1), *(one(station) for station in range(2, 12))], {1}, 600.0)
    assert min(asked[one(station)] for station in range(2, 12)) >= 10


def test_alone_each_keeps_its_rate():
    asked = played([one(1, 0.1), one(1, 1.0, 50), one(2, 0.5)], {1, 2}, 100.0)
    wanted = {one(1, 0.1): 1000, one(1, 1.0, 50): 100, one(2, 0.5): 200}
    assert all(abs(asked[span] - count) <= 1 for span, count in wanted.items())


def test_a_bus_that_cannot_keep_up_is_shared_fairly():
    asked = played([one(station, 0.01) for station in range(1, 6)], set(range(1, 6)), 100.0)
    assert max(asked.values()) - min(asked.values()) <= 1
    assert sum(asked.values()) >= 100.0 / TAKES_S - 1


def test_one_that_has_answered_gets_a_second_chance_and_a_garbled_one_ten():
    rounds = Rounds([one(1)], TIMEOUTS_S, 0.0)
    rounds.answered(one(1), 0.0)
    rounds.missed(one(1), 1.0)
    assert rounds.aside == []
    assert rounds.next_turn() == (one(1), 1.0 + TIMEOUT_S), "it rests, lest a late answer be taken for the next"
    rounds.missed(one(1), 2.0)
    assert rounds.aside == [1]
    assert rounds.dead
    rounds.answered(one(1), 3.0)
    assert not rounds.dead
    for count in range(10):
        assert rounds.aside == [], count
        rounds.missed(one(1), 4.0 + count, garbled=True)
    assert rounds.aside == [1]


def test_a_slow_station_has_its_own_time_and_a_quick_one_is_given_up_soon():
    """A miss of each holds the bus, and lets it rest, for its own time-out; and tries of the slow one are the rarer."""
    rounds = Rounds([one(1), one(2)], {1: 0.1, 2: 0.8}, 0.0)
    rounds.missed(one(1), 0.1)
    rounds.missed(one(2), 0.9)
    assert rounds.aside == [1, 2]
    tries = []
    for _ in range(2):
        span, due_s = rounds.next_turn()
        tries.append((span.station, due_s))
        rounds.missed(span, due_s)
    assert tries == [(1, 0.9 + 0.8 / 0.05), (2, 0.9 + 0.8 / 0.05 + 0.1 / 0.05)]


def test_a_request_is_taken_apart():
    rounds = Rounds([Span(1, "holding", 0, 2, 0.1), one(2)], TIMEOUTS_S, 0.0)
    rounds.split(Span(1, "holding", 0, 2, 0.1), [one(1), one(1, register=1)])
    asked = set()
    for _ in range(3):
        span, due_s = rounds.next_turn()
        asked.add(span)
        rounds.answered(span, due_s)
    assert asked == {one(1), one(1, register=1), one(2)}


def test_no_channels_no_turns():
    rounds = Rounds([], TIMEOUTS_S, 0.0)
    assert rounds.next_turn() is None
    assert not rounds.dead
