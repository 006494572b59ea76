"""The newest bytes of a port: bounded, whole, and the same however they were cut on their way."""

from __future__ import annotations

import threading

from hypothesis import given
from hypothesis import strategies as st

from drivers.raw import BYTES, LONGEST, PIECES, Raw, Ring

CHUNKS = st.lists(st.binary(max_size=3 * LONGEST), max_size=60)


@given(CHUNKS)
def test_it_is_bounded_whatever_comes_and_keeps_what_is_newest(chunks):
    ring = Ring()
    for i, chunk in enumerate(chunks):
        ring.add(i, chunk)
    pieces = ring.pieces()
    assert len(pieces) <= PIECES
    assert sum(len(it.data) for it in pieces) <= BYTES
    assert [it.time_ns for it in pieces] == sorted(it.time_ns for it in pieces)
    if not any(it.left_out for it in pieces):
        assert b"".join(chunks).endswith(b"".join(it.data for it in pieces))


@given(st.lists(st.binary(min_size=1, max_size=20).map(lambda it: it + b"\n"), min_size=1, max_size=PIECES))
def test_a_stream_that_comes_byte_by_byte_is_the_same_as_one_that_comes_line_by_line(lines):
    by_byte, by_line = Ring(), Ring()
    for i, line in enumerate(line for whole in lines for line in whole.splitlines(keepends=True) if line[-1:] == b"\n"):
        by_line.add(i, line)
        for k in range(len(line)):
            by_byte.add(i, line[k : k + 1])
    assert by_byte.pieces() == by_line.pieces()


def test_it_is_full_and_no_fuller_after_every_byte():
    ring = Ring()
    for i in range(2 * BYTES):
        ring.add(i, b"x" if i % 100 else b"\n")
        if i % 37 == 0:
            pieces = ring.pieces()
            assert len(pieces) <= PIECES
            assert sum(len(it.data) for it in pieces) <= BYTES
    assert sum(len(it.data) for it in ring.pieces()) > BYTES // 2, "a good part of what may be kept is"


def test_messages_stay_apart_and_say_where_they_came():
    ring = Ring()
    ring.add(1, b"2.7", "yard/P")
    ring.add(2, b"", "yard/P")
    ring.add(3, b"x" * (LONGEST + 5), "yard/all")
    assert ring.pieces() == [
        Raw(1, b"2.7", "yard/P"),
        Raw(2, b"", "yard/P"),
        Raw(3, b"x" * LONGEST, "yard/all", left_out=5),
    ]


def test_it_may_be_looked_at_while_it_is_filled():
    ring, full = Ring(), threading.Event()

    def fill() -> None:
        for i in range(20_000):
            ring.add(i, b"%06d\n" % i)
        full.set()

    threading.Thread(target=fill).start()
    seen = 0
    while not full.is_set():
        pieces = ring.pieces()
        assert (
            [int(it.data) for it in pieces] == list(range(pieces[0].time_ns, pieces[-1].time_ns + 1)) if pieces else 1
        )
        seen += 1
    assert seen
    assert ring.pieces()[-1].data == b"019999\n"
