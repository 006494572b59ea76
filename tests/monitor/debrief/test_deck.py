"""The deck's thread makes what is wanted; notes are kept beside a recording and never in it; the command refuses in sentences."""

from __future__ import annotations

import os
import pty
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from datetime import UTC, datetime
from fcntl import ioctl
from pathlib import Path

import orjson
import pytest

from monitor.cli import main
from monitor.debrief.deck import Deck
from monitor.debrief.judge import judged
from monitor.debrief.notes import Notes
from monitor.debrief.player import Player
from monitor.debrief.whatif import WhatIf
from monitor.engine.engine import Engine
from monitor.rig.load import parse_rig
from replay.codec import AlarmLine
from replay.names import notes_path
from replay.recording import read_recording, recordings

STUCK = Path(__file__).resolve().parents[3] / "recordings" / "stuck-shore.jsonl"
NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)


@pytest.fixture
def path(tmp_path) -> Path:
    """The first five seconds of a recording, cut off."""
    it = tmp_path / "yard.jsonl"
    it.write_bytes(b"".join(STUCK.read_bytes().splitlines(keepends=True)[:1300]))
    return it


@pytest.fixture
def deck(path):
    it = Deck(Player(path), Notes(path), "trainer", lambda: NOW)
    yield it
    it.stop()


def shows(deck, number):
    return lambda: deck.latest() is not None and deck.latest()[0] == number


def test_it_shows_what_is_wanted_and_goes_through_the_rest(deck, path, wait_until):
    recording = read_recording(path)
    engine = Engine(parse_rig(recording.header.rig))
    fed = (engine.feed(line) for line in recording.lines() if not isinstance(line, AlarmLine))
    truth = [picture for picture in fed if picture is not None]
    deck.go(30)
    deck.start()
    wait_until(shows(deck, 30), 60, "picture 30")
    assert deck.latest()[1] == truth[30]
    wait_until(lambda: deck.whole, 60, "the end of it")
    assert list(deck.times) == [it.time_ns for it in truth]
    assert deck.end_ns == truth[-1].time_ns
    assert deck.faults == ["not closed: it stops after line 1300; all of it was played"]
    for number in (60, 3, 59):
        deck.go(number)
        wait_until(shows(deck, number), 60, f"picture {number}")
        assert deck.latest()[1] == truth[number]
    deck.go(10**6)
    wait_until(shows(deck, len(truth) - 1), 60, "the last picture")
    deck.go(0)
    wait_until(shows(deck, 0), 60, "the first picture")
    deck.go(len(truth) - 1, through=True)
    seen = set()

    def at_the_end() -> bool:
        seen.add(deck.latest()[0])
        return deck.latest()[0] == len(truth) - 1

    wait_until(at_the_end, 60, "flat out to the end")
    assert deck.trouble == ""
    assert deck.number_at(0) == 0
    assert deck.number_at(truth[40].time_ns) == 40
    assert deck.number_at(truth[40].time_ns - 1) == 39
    assert deck.looked_back(0) == (None, None, None)
    assert 0.0 < deck.share <= 1.0


def test_other_limits_are_run_beside_and_given_up(deck, path, wait_until):
    deck.start()
    deck.what_if({"rise_rate": 0.0005})
    wait_until(lambda: deck.other is not None and deck.other.whole, 60, "the run under other limits")
    wait_until(lambda: deck.whole, 60, "the end of it")
    assert deck.other.limits == {"rise_rate": 0.0005}
    assert deck.other.known_ns == deck.end_ns
    deck.go(20)
    wait_until(shows(deck, 20), 60, "picture 20")
    deck.what_if({})
    wait_until(lambda: deck.other is None, 60, "its own limits alone")
    deck._player.recording.parts[0].path.unlink()
    deck.what_if({"tilt": 0.1})
    wait_until(lambda: deck.trouble, 60, "trouble")
    assert "No such file" in deck.trouble


def test_other_limits_sound_what_the_judge_says_of_them():
    recording = read_recording(STUCK)
    limits = {"rise_rate": 0.002, "capture_every": 0.01}
    run = WhatIf(STUCK, parse_rig(recording.header.rig), limits)
    while run.advance():
        pass
    verdict = judged(STUCK, limits)
    assert [(it.text, it.time_ns * 1e-9) for it in run.marks] == [
        (it["text"], pytest.approx(it["raised"])) for it in verdict["alarms"]
    ]
    own = {it["rule"] for it in orjson.loads(STUCK.with_suffix(".verdict.json").read_bytes())["alarms"]}
    assert {it["rule"] for it in verdict["alarms"]} - own, "something sounds that did not then"


def test_a_file_that_goes_away_is_trouble_and_no_end(deck, path, wait_until):
    deck.start()
    wait_until(lambda: deck.whole, 60, "the end of it")
    path.unlink()
    deck.go(50)
    wait_until(lambda: deck.trouble, 60, "trouble")
    assert deck.trouble == f"{path}: has changed since it was opened; open it again"


def test_a_fault_of_the_program_is_said_and_not_swallowed(deck, monkeypatch, wait_until):
    monkeypatch.setattr(deck._player, "advance", lambda: 1 / 0)
    deck.start()
    wait_until(lambda: deck.trouble, 60, "trouble")
    assert deck.trouble == "the replay has ended: ZeroDivisionError: division by zero"


def test_a_note_is_a_mark_at_its_moment_and_the_recording_is_not_touched(deck, path, wait_until):
    before = path.read_bytes()
    deck.start()
    wait_until(lambda: deck.whole, 60, "the end of it")
    assert deck.note(1_000_000_000, "why so fast?") == ""
    assert path.read_bytes() == before
    [mark] = [it for it in deck.marks if it.kind == "note"]
    assert (mark.time_ns, mark.text) == (1_000_000_000, "why so fast? (trainer)")
    assert deck.times[mark.number] >= 1_000_000_000 > deck.times[mark.number - 1]
    assert [it.time_ns for it in deck.marks] == sorted(it.time_ns for it in deck.marks)
    [line] = notes_path(path).read_bytes().splitlines()
    assert orjson.loads(line) == {
        "t": 1_000_000_000,
        "written": "2026-03-01T12:00:00+00:00",
        "who": "trainer",
        "text": "why so fast?",
    }
    assert [it.text for it in Notes(path).kept] == ["why so fast?"]


def test_notes_are_no_recording_of_a_folder(path):
    Notes(path).add(0, "here", "trainer", NOW)
    assert notes_path(path).name == "yard.notes.jsonl"
    assert [it.path for it in recordings([path.parent])] == [path]


def test_notes_that_a_pattern_brought_along_are_passed_over_and_alone_they_are_named(path, capsys):
    """`judge yard-*.jsonl`, as the README has it, ended with 1 once somebody had noted something."""
    path.write_bytes(STUCK.with_name("called-stop.jsonl").read_bytes())
    Notes(path).add(0, "here", "trainer", NOW)
    assert main(["judge", *sorted(map(str, path.parent.glob("yard*.jsonl")))]) == 0
    assert capsys.readouterr().err == ""
    for command in ("judge", "journal", "debrief"):
        assert main([command, str(notes_path(path))]) == 1
        said = f"{notes_path(path)}: holds notes on a recording, and is none; give yard.jsonl\n"
        assert capsys.readouterr().err == f"inchwatch {command}: {said}"
    notes_path(path).unlink()
    assert main(["judge", str(notes_path(path))]) == 1
    assert "No such file" in capsys.readouterr().err


def test_lines_that_are_no_notes_are_said_and_left(path):
    lines = [
        b"hello",
        b"[1]",
        b'{"t":"x","written":"","who":"","text":""}',
        b'{"t":7,"written":"w","who":"a","text":"b\\u001b[2Jc"}',
    ]
    notes_path(path).write_bytes(b"\n".join(lines))
    notes = Notes(path)
    assert notes.faults[0].startswith("yard.notes.jsonl, line 1: is not JSON (")
    assert notes.faults[1:] == [
        "yard.notes.jsonl, line 2: is no JSON object; a note is one, with t, written, who and text; it is not shown",
        "yard.notes.jsonl, line 3: is no note; one has t (ns, a whole number), and written, who and text (texts); it is not shown",
    ]
    assert [it.text for it in notes.kept] == ["b [2Jc"]
    assert notes.add(9, "more", "trainer", NOW) == ""
    assert notes_path(path).read_bytes().startswith(b"\n".join(lines) + b"\n{"), "the last had no end of line"
    assert [it.text for it in Notes(path).kept] == ["b [2Jc", "more"]


def test_notes_that_cannot_be_read_or_kept_are_said(path):
    notes_path(path).mkdir()
    notes = Notes(path)
    assert notes.faults == ["yard.notes.jsonl: Is a directory; its notes are not shown"]
    assert notes.add(0, "here", "trainer", NOW) == f"not kept: {notes_path(path)}: Is a directory"
    assert notes.kept == []


def test_without_a_terminal_it_says_what_to_do_instead(path):
    call = [sys.executable, "-m", "monitor", "replay", str(path)]
    it = subprocess.run(call, capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=100)
    assert it.returncode == 2
    assert it.stderr == "inchwatch replay: needs a terminal to show it on; inchwatch judge FILE prints the verdict\n"


def on_a_terminal(*args: str, keys: bytes = b"", until: bytes = b"") -> tuple[int, str]:
    """(exit code, all that was written) of `inchwatch replay` on a real terminal of 80 by 24; `keys` are pressed at `until`."""
    child, master = pty.fork()
    if child == 0:
        os.environ["TERM"] = "xterm-256color"
        os.execv(sys.executable, [sys.executable, "-m", "monitor", "replay", *args])
    ioctl(master, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    written, deadline = b"", time.monotonic() + 100
    while time.monotonic() < deadline:
        if not select.select([master], [], [], 1.0)[0]:
            continue
        try:
            got = os.read(master, 65536)
        except OSError:
            break
        if not got:
            break
        written += got
        if keys and until in written:
            os.write(master, keys)
            keys = b""
    else:
        os.kill(child, signal.SIGKILL)
    os.close(master)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), written.decode(errors="replace")


@pytest.mark.wires
def test_a_recording_is_shown_on_a_terminal_and_q_ends_it(path):
    code, text = on_a_terminal(str(path), keys=b"q", until=b"NO ZERO YET")
    assert code == 0
    assert " RECORDED 2026-01-01 09:00:00 UTC  NOT LIVE" in text


@pytest.mark.wires
def test_what_is_no_recording_is_one_sentence_on_a_terminal(tmp_path):
    path = tmp_path / "none.jsonl"
    path.write_bytes(b"hello\n")
    code, text = on_a_terminal(str(path))
    assert code == 1
    assert text.strip().replace("\r\n", " ").startswith(f"inchwatch replay: {path}: is no recording: not JSON")
    assert "Traceback" not in text
