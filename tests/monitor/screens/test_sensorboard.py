"""The board of every channel as drawings: at any size, with and without colour."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.engine.picture import AlarmState, Priority, SensorStatus
from monitor.screens.ink import Role, plain, width
from monitor.screens.layout import CAUTIONS
from monitor.screens.sensorboard import HELP, KEYS, READS, BoardView, drawing, fine, listing
from monitor.sensorboard.picture import RawLine
from monitor.sensorboard.words import HEALTH

from .boards import BOARD, PORTS, TROUBLE, WELL, row

SIZES = [(80, 24), (120, 40), (160, 48), (60, 20), (40, 12), (20, 6), (250, 80), (99, 17), (10, 3), (5, 1)]
RAW = [RawLine(53_000_000_000 + i * 10_000_000, "yard/P" if i % 2 else "", "x" * (7 * i)) for i in range(60)]


def drawn(board=BOARD, columns=80, rows=24, now=None, **view) -> list:
    shown = BoardView("metric", "recording to yard.jsonl", **({"chosen": "H1"} | view))
    return drawing(board, now or board, shown, columns, rows)


@pytest.mark.parametrize(("columns", "rows"), SIZES)
def test_the_screen_fills_exactly_its_size(make_alarm, columns, rows):
    stopped = replace(BOARD, alarms=(make_alarm("stop-called", Priority.DANGER),) * 2)
    for board in (None, BOARD, stopped, replace(BOARD, channels=BOARD.channels * 9, ports=PORTS * 9)):
        for view in ({}, {"help": True}, {"raw": RAW}, {"raw": []}, {"stopped_s": 3.0}, {"paused_s": 2.0}):
            lines = drawn(board, columns, rows, **view)
            assert len(lines) == rows
            assert {width(line) for line in lines} == {columns}


def test_a_channel_says_all_that_is_asked_of_it_in_one_line():
    lines = plain(drawn()).splitlines()
    assert lines[2] == " !N2-p         (2.71 bar)  0.0 13.2 s    -- STALE        silent for 12 s"
    assert lines[3] == ">!H1             (3.20 m) 20.0  0.0 s  1.1x OUT OF RANGE out of range for 8 s"
    assert lines[5] == "  S1-lower-p     2.71 bar 20.0  0.0 s  0.9x ok"
    assert lines[8] == "  H2               200 mm 20.0  0.0 s  1.1x ok           port lost 4 min ago"
    wide = plain(drawn(columns=120, rows=40)).splitlines()
    assert "1.1x 0.5 mm OUT OF RANGE out of range: read 3.20 m, for 8 s" in wide[3]


def test_trouble_is_told_without_colour_and_every_health_word_is_its_own():
    assert len(set(HEALTH.values())) == len(HEALTH) == len(SensorStatus)
    for status in SensorStatus:
        (line,) = [
            line for line in drawn(replace(BOARD, channels=(row("H1", status),))) if plain([line])[:2] in (">!", "> ")
        ]
        assert HEALTH[status] in plain([line])
        assert ("!" in plain([line])[:2]) is (status is not SensorStatus.OK)
        coloured = [text for text, role in line if role is Role.CAUTION]
        assert all(text.strip() for text in coloured), "no colour without its word"


def test_what_is_not_believed_stands_in_brackets_and_what_is_not_known_is_no_zero():
    never = row("N2-p", SensorStatus.NEVER_SEEN, value=None, age_s=None, rate_hz=None, noise=None)
    text = plain(drawn(replace(BOARD, channels=(never,)))).splitlines()[2]
    assert text.split() == ["!N2-p", "--", "--", "--", "--", "NEVER", "SEEN", "not", "heard", "yet"]
    assert "(3.20 m)" in plain(drawn())


def test_ports_say_what_was_spoilt_and_who_spoke_that_nobody_named_those_down_first():
    lines = [line for line in plain(drawn(columns=120, rows=40)).splitlines() if line.startswith("PORT")]
    assert lines == [
        "PORT yard-net DOWN connection lost (broker 192.0.2.7:1883)  918 values",
        "PORT bench up  STRANGERS: T9 (12x)  SPOILT: 3 bad checksum  2597 values",
    ]


def test_the_chosen_channel_is_told_in_full():
    text = plain(drawn(columns=120, rows=40))
    assert "H1: length, port bench; range 0 mm to 2.00 m" in text
    assert "out of range: read 3.20 m, for 8 s; noise 0.55 mm of 0.5 mm, silent after 1 s" in text


def test_more_channels_than_rows_scroll_to_the_one_that_is_chosen_and_say_where_they_are():
    many = replace(BOARD, channels=tuple(row(f"c{i}") for i in range(60)))
    first = drawn(many, chosen="c0")
    assert "1 to 17 of 60" in plain(first)
    for i in range(60):
        assert any(line.startswith(f"> c{i} ") for line in plain(drawn(many, chosen=f"c{i}")).splitlines())
    assert "44 to 60 of 60" in plain(drawn(many, chosen="c59"))
    assert "of 60" not in plain(drawn(many, 80, 80, chosen="c0"))


def test_an_alarm_and_a_monitor_that_has_stopped_are_told_whatever_is_shown(make_alarm):
    calls = replace(BOARD, alarms=(make_alarm("stop-called", Priority.DANGER, AlarmState.UNACKNOWLEDGED, "crew"),) * 2)
    for view in ({}, {"help": True}, {"raw": RAW}, {"paused_s": 5.0}):
        lines = plain(drawn(BOARD, now=calls, stopped_s=3.0, **view)).splitlines()
        assert lines[0] == "THE MONITOR HAS STOPPED: no picture for 3 s. Nothing here is live."
        assert lines[1].startswith("DANGER ◆stop-called crew")
        assert lines[1].endswith("(1 more alarms)")


def test_why_there_is_no_zero_yet_is_said_where_there_is_room():
    waits = replace(BOARD, zeroed=False, zero_waits="N2-p is never-seen")
    assert "no zero yet: N2-p is never-seen" in plain(drawn(waits, 120, 40)[:1])
    assert "no zero yet  recording" in plain(drawn(waits)[:1])


def test_raw_text_shows_the_newest_last_and_is_wrapped():
    lines = plain(drawn(raw=RAW)).splitlines()
    assert lines[1].startswith("RAW  port bench, the newest last")
    assert lines[-2].strip("x ") == ""
    assert "   0.4 yard/P x" in "\n".join(lines)
    assert plain(drawn(raw=[])).splitlines()[2] == "nothing has come over it yet"


def test_help_has_every_key_and_the_cautions_and_fits():
    text = plain(drawn(help=True)[1:])
    assert "…" not in text
    for part in (*(what for _, what in HELP), *READS, *CAUTIONS, "any key goes back"):
        assert part in text
    assert len(KEYS) <= 80
    assert "…" not in plain([drawn()[-1]])


def test_the_listing_has_every_channel_and_port_at_any_length():
    text = listing(BOARD, "metric", 120)
    for name in (*(it.name for it in (*TROUBLE, *WELL)), "bench", "yard-net", "STRANGERS: T9 (12x)"):
        assert name in text


@pytest.mark.parametrize(
    ("si", "quantity", "units", "text"),
    [
        (0.00055, "length", "metric", "0.55 mm"),
        (0.000508, "length", "us", "0.02 in"),
        (930.0, "pressure", "metric", "0.0093 bar"),
        (689.4757293168361, "pressure", "us", "0.1 psi"),
        (0.0008726646, "angle", "metric", "0.05°"),
        (1e9, "force", "metric", "1000000 kN"),
        (1e-9, "length", "metric", "0.0000 mm"),
    ],
)
def test_a_noise_is_shown_finer_than_a_value(si, quantity, units, text):
    assert fine(si, quantity, units) == text


def test_what_is_wrong_with_a_wire_that_is_up_is_said():
    """A wrong speed: the port is up, and nothing on it can be read."""
    text = "bytes come unreadable: speed 4800 right?"
    wrong = replace(PORTS[0], up=True, text=text)
    for columns in (80, 120):
        assert text in plain(drawn(replace(BOARD, ports=(wrong,)), columns))
    assert "connected" not in plain(drawn(replace(BOARD, ports=(replace(wrong, text="connected"),))))
