"""A sensor's clock may be anything; what waited on the way is known by how its time goes on."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from drivers.skew import DRIFT, Skew

MS, S = 10**6, 10**9
STALE = S
ORIGINS = st.integers(-(10**18), 10**18)
DELAYS = st.integers(0, 20 * S) | st.integers(0, 100 * MS)


def sent_and_arrived(gaps, delays):
    """When readings were sent and came, in the order of one wire: none overtakes."""
    sent = arrived = 0
    for gap, delay in zip(gaps, delays, strict=True):
        sent += gap
        arrived = max(arrived, sent + delay)
        yield sent, arrived


def one(skew, arrived, device):
    return skew.late(arrived, [device])[0]


LIFTS = st.integers(1, 60).flatmap(
    lambda n: st.tuples(
        st.lists(st.integers(MS, 2 * S), min_size=n, max_size=n), st.lists(DELAYS, min_size=n, max_size=n)
    )
)


@given(LIFTS, ORIGINS, st.integers(-DRIFT, DRIFT).filter(lambda it: abs(it) >= 1))
def test_no_reading_is_called_later_than_it_is(lift, origin, drift):
    """Whatever the clock's offset, and whether it loses or gains up to a hundredth."""
    skew = Skew(STALE)
    for sent, arrived in sent_and_arrived(*lift):
        device = origin + sent + sent // (drift * DRIFT)
        if one(skew, arrived, device):
            assert arrived - sent > STALE - 2, "two roundings down"


@given(LIFTS, ORIGINS)
def test_what_waited_is_late_once_a_timely_one_was_seen(lift, origin):
    """Later than `stale_after` beyond the shortest way so far, and what that may have crept up by since."""
    skew = Skew(STALE)
    shortest = None
    for sent, arrived in sent_and_arrived(*lift):
        waited = arrived - sent
        late = one(skew, arrived, origin + sent)
        if shortest is not None and waited > STALE + min(way + (arrived - at) // DRIFT for way, at in shortest) + 60:
            assert late
        shortest = [*(shortest or []), (waited, arrived)]


@given(
    st.integers(20 * MS, 400 * MS),
    st.integers(-(10**17), 10**17).filter(lambda it: abs(it) > MS),
    ORIGINS,
    st.integers(5, 30),
    st.lists(st.integers(0, 50 * MS), min_size=100, max_size=100),
)
def test_a_clock_that_is_set_is_live_again_before_it_is_silent(period, step, origin, before, delays):
    """Forward: no reading is old. Back: those of a quarter of `stale_after`, and of one period at the most beside."""
    skew = Skew(STALE)
    old = []
    gaps = [period] * len(delays)
    for i, (sent, arrived) in enumerate(sent_and_arrived(gaps, delays)):
        if one(skew, arrived, origin + sent + (step if i >= before else 0)):
            old.append((i, arrived))
    if step > 0:
        assert not old
    if old:
        assert old[0][0] >= before
        assert old[-1][1] - old[0][1] <= STALE // 4 + period + 100 * MS


@given(st.integers(2 * S, 30 * S), ORIGINS)
def test_a_burst_after_a_stall_is_old_until_what_is_of_now(stall, origin):
    """Twenty a second; the network stands still and then hands all over within a tenth of a second."""
    skew = Skew(STALE)
    period = 50 * MS
    for i in range(100):
        assert not one(skew, i * period + 20 * MS, origin + i * period)
    end = 100 * period + stall
    for i in range(100, 100 + stall // period):
        arrived = end + (i - 100) * MS // 10
        waited = arrived - i * period
        late = one(skew, arrived, origin + i * period)
        if waited > STALE + 100 * MS + (stall + S) // DRIFT:
            assert late
        if waited <= STALE:
            assert not late
    now = end + 200 * MS
    assert not one(skew, now + 20 * MS, origin + now)


@given(st.lists(st.integers(5 * S, 3600 * S), min_size=1, max_size=40, unique=True), ORIGINS)
def test_old_messages_between_live_ones_stay_old_and_spoil_nothing(ages, origin):
    skew = Skew(STALE)
    for i in range(20):
        one(skew, i * 100 * MS, origin + i * 100 * MS)
    for i, age in enumerate(ages, 20):
        now = i * 100 * MS
        assert not one(skew, now, origin + now)
        assert one(skew, now + 10 * MS, origin + now - age)


@given(st.integers(1, 200), ORIGINS)
def test_a_backlog_sent_after_live_readings_never_passes_as_a_clock_that_was_set(rate, origin):
    """A store that is emptied faster than three times real time, and nothing else meanwhile (the newest first, or the oldest)."""
    skew = Skew(STALE)
    for i in range(20):
        one(skew, i * 100 * MS, origin + i * 100 * MS)
    begun, pace = 2 * S, 3 + rate
    for i in range(100):
        assert one(skew, begun + i * 10 * MS, origin - 3600 * S + i * 10 * MS * pace)
    for i in range(100):
        assert one(skew, begun + S + i * 10 * MS, origin - 3600 * S - i * 10 * MS)


def test_a_wild_time_ahead_costs_less_than_a_silence():
    skew = Skew(STALE)
    old = [one(skew, i * 50 * MS, i * 50 * MS + (10**15 if i == 40 else 0)) for i in range(100)]
    assert not any(old[:41])
    assert 0 < sum(old) <= 6
    assert not any(old[47:])


def test_readings_of_one_message_are_judged_by_its_newest():
    """RFC 8428 section 4.5.3: a pack may hold several values of one sensor; only the last second of it is of now."""
    skew = Skew(STALE)
    assert skew.late(0, [-3 * S, -2 * S, -S, 0]) == [True, True, False, False]
    assert skew.late(3 * S, [S, 2 * S, 3 * S]) == [True, False, False]
    assert skew.late(4 * S, []) == []


def test_a_time_that_is_said_twice_is_as_live_as_it_was():
    skew = Skew(STALE)
    for i in range(40):
        assert skew.late(i * 50 * MS, [i // 20 * S]) == [False], "a clock of whole seconds"


def test_two_old_messages_at_the_pace_of_arrival_are_no_clock_that_was_set():
    skew = Skew(STALE)
    for i in range(20):
        one(skew, i * 100 * MS, i * 100 * MS)
    assert [one(skew, 2 * S + i * 10 * MS, -3600 * S + i * 10 * MS) for i in range(20)] == [True] * 20


def test_a_clock_that_loses_a_hundredth_is_live_for_an_hour():
    skew = Skew(STALE)
    assert not any(one(skew, i * 100 * MS, i * 99 * MS) for i in range(36_000))
