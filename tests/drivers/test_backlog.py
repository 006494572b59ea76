"""What waited is old and what comes is not: the rule by itself, and on whole histories of wires that stall, fall silent and
catch up. Histories are invented; the bounds are those that drivers/backlog.py states."""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.backlog import BREATH_NS, LATE_NS, MORE, SILENCE_NS, Backlog
from drivers.reading import Quality

MS = 1_000_000
S = 1_000_000_000
OLD, GOOD = Quality.OLD, Quality.GOOD


@dataclass
class Group:
    """A group of sentences: when it was sent, how long it is."""

    sent_ns: int
    size: int


class Reader:
    """A reader that looks as the real one does: asks what waits, else waits 0.1 s for a first byte."""

    def __init__(self) -> None:
        self.backlog, self.empty_ns = Backlog(), 0
        self.said: list[tuple[int, int, Quality]] = []  # (position of the last byte, when handed on, quality)
        self._position = 0

    def take(self, data: bytes, now_ns: int, looked_ns: int | None = None) -> None:
        """`looked_ns`: when it last found nothing waiting, if that was not just before."""
        if looked_ns is not None:
            self.empty_ns = looked_ns
        for part, quality in self.backlog.take(data, self.empty_ns, now_ns):
            self._position += len(part)
            self.said.append((self._position, now_ns, quality))

    def idle(self, until_ns: int) -> None:
        while self.empty_ns + 100 * MS < until_ns:
            self.empty_ns += 100 * MS
            self.take(b"", self.empty_ns)
        self.empty_ns = until_ns

    def qualities(self) -> set[Quality]:
        return {it[2] for it in self.said}


def played(arrivals: list[tuple[int, int]], reader: Reader | None = None) -> Reader:
    """A reader that never stalls, and these (when, bytes); then it waits for a second."""
    it = reader or Reader()
    for when, size in arrivals:
        it.idle(when)
        it.take(b"x" * size, when)
    it.idle(arrivals[-1][0] + S)
    return it


def steady(begin_ns: int, end_ns: int, period_ns: int, size: int) -> list[tuple[int, int]]:
    return [(at, size) for at in range(begin_ns, end_ns, period_ns)]


@given(st.integers(1, 10_000), st.integers(10, 30_000), st.integers(5, 60))
def test_a_wire_that_keeps_its_beat_is_never_old(size, period_ms, count):
    """However slow it is: a sentence every half minute comes after a silence each time, and is of now."""
    it = played(steady(S, S + count * period_ms * MS, period_ms * MS, size))
    assert it.qualities() == {GOOD}
    assert it.said[-1][0] == size * count, "nothing is kept back for good"


@given(
    st.lists(st.tuples(st.integers(0, 3000), st.integers(0, 900)), max_size=60),
    st.lists(st.booleans(), min_size=60, max_size=60),
)
def test_nothing_is_lost_or_changes_its_place(steps, stalls):
    backlog, sent, got, now, empty = Backlog(), b"", b"", 0, 0
    for n, ((wait_ms, size), stalled) in enumerate(zip(steps, stalls, strict=False)):
        now += wait_ms * MS
        if not stalled:
            empty = now
        data = bytes([n % 251]) * size
        sent += data
        got += b"".join(part for part, _ in backlog.take(data, empty, now))
    for _ in range(4):
        now += 100 * MS
        got += b"".join(part for part, _ in backlog.take(b"", now, now))
    assert got == sent


@given(st.floats(0.51, 3600.0), st.integers(1, 100_000), st.integers(1, 8))
def test_what_waits_while_the_reader_does_not_run_is_old_to_the_last_byte(stall_s, size, reads):
    it = played(steady(S, 4 * S, 50 * MS, 60))
    stopped, begun = it.empty_ns, len(it.said)
    now = stopped + round(stall_s * S)
    for _ in range(reads):  # what waited may take several reads
        it.take(b"x" * size, now, looked_ns=stopped)
        now += MS
    assert {q for _, _, q in it.said[begun:]} == {OLD}
    it.empty_ns = now
    resumed = len(it.said)
    played(steady(now + 500 * MS, now + 3 * S, 50 * MS, 60), it)
    assert {q for _, _, q in it.said[resumed:]} == {GOOD}, "half a second later all is of now"


@given(st.integers(0, LATE_NS // MS), st.integers(1, 100_000))
def test_a_reader_that_is_late_by_less_calls_nothing_old(late_ms, size):
    it = played(steady(S, 4 * S, 50 * MS, 60))
    it.take(b"x" * size, it.empty_ns + late_ms * MS, looked_ns=it.empty_ns)
    assert it.qualities() == {GOOD}


@settings(max_examples=30)
@given(
    silence_s=st.floats(1.6, 60.0),
    period_ms=st.sampled_from([50, 100, 250, 500, 1000]),
    size=st.integers(20, 400),
    haste=st.floats(1.1, 200.0),
)
def test_what_a_store_gives_after_a_silence_is_not_shown_as_live(silence_s, period_ms, size, haste):
    """A wire whose network was gone: all that was sent meanwhile comes after it, in more haste than 1.5 times the most.

    What is called of now is no older than what 1.5 times the most is, and the time for which it was held.
    """
    flow = haste * MORE * (1.0 + period_ms * MS / BREATH_NS) + 1.0
    silence_s = min(silence_s, 9.0 * (flow - 1.0))  # a store that is empty within ten seconds
    silence_ns, period_ns = round(silence_s * S), period_ms * MS
    gone, back = 10 * S, 10 * S + silence_ns
    sent = [Group(at, size) for at in range(S, back + 8 * S, period_ns)]
    arrivals, free_ns = [], 0
    for group in sent:
        at = group.sent_ns if group.sent_ns < gone else max(group.sent_ns, back, free_ns)
        free_ns = at + round(period_ns / flow)
        arrivals.append((at, size))
    it = played(arrivals)
    older, ends = [], {(n + 1) * size: group for n, group in enumerate(sent)}
    handed = 0
    for position, when, quality in it.said:
        for end in range(handed + size, position + 1, size):
            if quality is GOOD:
                older.append(when - ends[end].sent_ns)
        handed = position
    bound = MORE * (BREATH_NS + period_ns) + BREATH_NS + 100 * MS
    assert max(older) <= bound
    caught_up = max(at for (at, _), group in zip(arrivals, sent, strict=True) if at - group.sent_ns > period_ns)
    late = {q for _, when, q in it.said if when > caught_up + 400 * MS + 2 * period_ns}
    assert late <= {GOOD}, "once it has caught up, all is of now"


@given(st.floats(1.6, 6000.0), st.floats(1.6, 20.0))
def test_a_wire_that_talks_more_than_before_is_called_old_for_a_bounded_time(silence_s, times):
    """False alarms have an end: (S + 0.2) / (k - 1) seconds or ten, and what the last breath adds."""
    silence_ns = round(silence_s * S)
    back = 5 * S + silence_ns
    more = round(times * 60)
    it = played([*steady(S, 5 * S, 50 * MS, 60), *steady(back, back + 15 * S, 50 * MS, more)])
    old = [when for _, when, quality in it.said if quality is OLD]
    bound = min(10 * S, (silence_ns + BREATH_NS) / (more / 60 - 1.0)) + 2 * BREATH_NS + 100 * MS
    assert not old or max(old) - back <= bound


def test_a_stall_that_begins_while_something_is_held_makes_all_of_it_old():
    it = played(steady(S, 4 * S, 50 * MS, 60))
    it.idle(it.empty_ns + 2 * S)
    at = it.empty_ns
    it.take(b"a" * 30, at)
    assert it.said[-1][1] < at, "held"
    it.take(b"b" * 30, at + S, looked_ns=at)
    assert it.said[-1] == (60 * 60 + 60, at + S, OLD)


def test_what_is_held_goes_with_its_wire():
    it = played(steady(S, 4 * S, 50 * MS, 60))
    it.idle(it.empty_ns + 2 * S)
    it.take(b"a" * 30, it.empty_ns)
    it.backlog.cut()
    it.idle(it.empty_ns + S)
    assert it.said[-1][0] == 60 * 60


@pytest.mark.parametrize(("silence_ns", "held"), [(SILENCE_NS, False), (SILENCE_NS + MS, True)])
def test_only_a_silence_of_its_length_holds_anything(silence_ns, held):
    it = Reader()
    for at in range(S, 3 * S, 300 * MS):
        it.idle(at)
        it.take(b"x" * 60, at)
    at += silence_ns
    it.idle(at)
    it.take(b"x" * 60, at)
    assert (it.said[-1][1] < at) is held


@given(st.floats(0.6, 6000.0), st.integers(1, 200))
def test_of_a_wire_that_was_hardly_heard_nothing_is_called_old_for_long(gap_s, size):
    """An hour asleep just after the first sentences, and what comes then is much by comparison."""
    it = played(steady(S, S + 100 * MS, 50 * MS, 60))
    begun, back = len(it.said), it.empty_ns + round(gap_s * S)
    it.take(b"x" * size, back, looked_ns=it.empty_ns)
    it.empty_ns = back
    played(steady(back + 10 * MS, back + 3 * S, 10 * MS, size), it)
    assert max(when for _, when, quality in it.said[begun:] if quality is OLD) <= back + BREATH_NS + 100 * MS


def test_after_a_stall_what_comes_a_moment_later_is_old_too():
    """Another thread, which was as still, hands it over only after this one has found nothing."""
    it = played(steady(S, 4 * S, 50 * MS, 60))
    at = it.empty_ns + 700 * MS
    it.take(b"", at, looked_ns=it.empty_ns)
    it.empty_ns = at
    begun = len(it.said)
    played([(at + 20 * MS, 600), *steady(at + 450 * MS, at + 3 * S, 50 * MS, 60)], it)
    qualities = [quality for _, _, quality in it.said[begun:]]
    assert qualities[0] is OLD
    assert set(qualities[1:]) == {GOOD}
