"""When a wire is called unreadable, and when no longer. Figures are invented; the limits are those of drivers/legible.py."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from drivers.legible import JUDGED_BYTES, JUDGED_NS, Legibility, Legible

S = 1_000_000_000


def test_bytes_without_a_sentence_are_said_after_their_time_and_forgotten_with_the_first_sentence():
    it = Legible()
    assert [it.heard(50, 0, n, n * S) for n in range(6)] == [Legibility.FINE] * 5 + [Legibility.NOTHING]
    assert it.heard(50, 0, 6, 6 * S) is Legibility.NOTHING
    assert it.heard(50, 1, 6, 7 * S) is Legibility.FINE


def test_few_bytes_say_nothing():
    it = Legible()
    assert {it.heard(10, 0, n, n * S) for n in range(JUDGED_BYTES // 10 - 1)} == {Legibility.FINE}


def test_more_spoilt_than_whole_is_said_and_forgotten_when_it_is_better():
    it = Legible()
    assert it.heard(500, 1, 2, 0) is Legibility.FINE
    assert it.heard(500, 3, 9, 5 * S) is Legibility.LITTLE
    assert it.heard(500, 20, 10, 6 * S) is Legibility.LITTLE
    assert it.heard(500, 40, 11, 11 * S) is Legibility.FINE


def test_a_new_wire_begins_anew():
    it = Legible()
    for n in range(6):
        it.heard(50, 0, n, n * S)
    it.cut()
    assert it.now is Legibility.FINE
    assert it.heard(500, 0, 7, 60 * S) is Legibility.FINE


@given(st.lists(st.tuples(st.integers(1, 400), st.booleans(), st.integers(1, 20 * S)), min_size=1, max_size=50))
def test_a_wire_of_which_most_is_read_is_fine_and_one_of_which_nothing_is_is_not(reads):
    now, whole = 0, 0
    readable, noise = Legible(), Legible()
    came, first = 0, None
    for amount, spoilt, wait in reads:
        now += wait
        whole += 2
        assert readable.heard(amount, whole, whole // 2 if spoilt else 0, now) is Legibility.FINE
        came += amount
        first = now if first is None else first
        said = noise.heard(amount, 0, 5 * whole, now)
        assert said is (
            Legibility.NOTHING if said is Legibility.NOTHING or _due(came, now - first) else Legibility.FINE
        )
        if said is Legibility.NOTHING:
            break


def _due(came: int, waited_ns: int) -> bool:
    return came >= JUDGED_BYTES and waited_ns >= JUDGED_NS
