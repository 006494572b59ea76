"""The board as JSON and CSV, and the wire itself in letters that any terminal shows."""

from __future__ import annotations

import codecs
import csv
import io

import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.raw import Raw
from drivers.reading import Quality
from monitor.sensorboard import words
from monitor.sensorboard.picture import Fault, RawLine, Wrong, escaped, raw_lines


@given(st.binary(max_size=200))
def test_escaped_bytes_are_printable_and_say_exactly_what_came(data):
    text = escaped(data)
    assert text.isascii()
    assert all(letter.isprintable() for letter in text)
    assert codecs.decode(text, "unicode_escape").encode("latin-1") == data


@given(st.lists(st.binary(max_size=30), max_size=20))
def test_the_lines_of_a_stream_are_the_stream_however_it_was_cut(chunks):
    lines = raw_lines([Raw(i, chunk) for i, chunk in enumerate(chunks)], 10_000)
    assert "".join(line.text for line in lines) == escaped(b"".join(chunks))
    assert all(line.text.endswith("\\n") for line in lines[:-1])
    assert [line.time_ns for line in lines] == sorted(line.time_ns for line in lines)


def test_a_line_is_of_the_moment_its_first_byte_came_and_messages_are_lines_of_their_own():
    pieces = [Raw(1, b"$IIXDR,P"), Raw(2, b",1.0\r\n$II"), Raw(3, b"X\x00\n"), Raw(4, b"2.7\n", "yard/P", 5)]
    assert raw_lines(pieces, 10) == [
        RawLine(1, "", "$IIXDR,P,1.0\\r\\n"),
        RawLine(2, "", "$IIX\\x00\\n"),
        RawLine(4, "yard/P", "2.7\\n (5 bytes more)"),
    ]
    assert len(raw_lines(pieces, 2)) == 2


def test_json_says_what_the_board_says_and_null_of_what_is_not_known(bench):
    bench.counters = {"bench": {"good": 7, "bad_checksum": 2}}
    bench.strangers = {"bench": {"T9": 3}}
    bench.wrong["H2"] = lambda _: None
    board = bench.go(2.0)
    said = orjson.loads(orjson.dumps(words.as_json(board, {"bench": [RawLine(1, "", "x")]})))
    assert said["kind"] == "board"
    assert next(iter(said["channels"])) == "H2"
    assert said["channels"]["H2"] == {
        "port": "bench",
        "quantity": "length",
        "unit": "m",
        "status": "never-seen",
        "trouble": True,
        "value": None,
        "age_s": None,
        "device_utc": None,
        "rate_hz": None,
        "noise": None,
        "noise_said": 0.0005,
        "stored": 0,
        "fault": None,
    }
    assert said["channels"]["H1"]["rate_hz"] == pytest.approx(20.0)
    assert said["ports"]["bench"]["spoilt"] == {"bad_checksum": 2}
    assert said["ports"]["bench"]["strangers"] == {"T9": 3}
    assert said["ports"]["bench"]["raw"] == [{"t": 0.0, "about": "", "text": "x"}]
    assert "raw" not in words.as_json(board)["ports"]["bench"]


def test_json_says_what_a_devices_own_clock_said_of_its_newest_reading(bench):
    """A clock that is years off is told as it is: nothing is judged by it. What came from a store is not the newest."""

    def said() -> float | None:
        return orjson.loads(orjson.dumps(words.as_json(bench.board())))["channels"]["H1"]["device_utc"]

    bench.go(1.0)
    assert said() is None
    bench.say("H1", 0.3, own_ns=1_234_567_890_125_000_000)
    assert said() == 1_234_567_890.125
    bench.say("H1", 0.3, Quality.OLD, own_ns=1_000_000_000_000_000_000)
    assert said() == 1_234_567_890.125
    bench.say("H1", 0.3, Quality.FAILURE, own_ns=1_234_567_891_000_000_000)
    assert said() == 1_234_567_891.0, "the device said that it has no value, and when"
    bench.say("H1", 0.3)
    assert said() is None, "this reading had none"


def test_csv_has_every_reading_in_order_of_time_and_every_channel(bench):
    bench.wrong["H2"] = lambda _: None
    board = bench.go(2.0)
    rows = list(csv.DictReader(io.StringIO(words.as_csv(board, bench.following.recent()))))
    assert len(rows) == 40 * (len(bench.rig.channel) - 1) + 1
    assert (rows[0]["channel"], rows[0]["utc"], rows[0]["value"]) == ("H2", "", "")
    times = [float(row["utc"]) for row in rows[1:]]
    assert times == sorted(times)
    assert times[-1] == pytest.approx(1_002.0)
    last = [row for row in rows if row["channel"] == "S1-lower-p"][-1]
    assert float(last["value"]) == bench.row("S1-lower-p").value, "to the bit"
    assert (last["unit"], last["health"], last["last_fault"]) == ("Pa", "ok", "")


def test_a_fault_says_for_how_long_or_how_long_ago():
    stands, gone = Fault(Wrong.STALE, "", 100.0), Fault(Wrong.RANGE, "read 3.20 m", 100.0, 110.0)
    assert words.in_words(stands, 107.9) == "silent for 7 s"
    assert words.in_words(gone, 400.0) == "out of range: read 3.20 m, 4 min ago"
    assert words.in_words(gone) == "out of range: read 3.20 m"
    assert words.span(2 * 3600.0) == "2 h"
