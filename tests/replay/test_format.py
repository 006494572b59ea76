"""The page of the format says what the program does: every key, the versions, and the example by tools that know nothing of it."""

from __future__ import annotations

import hashlib
import re
import subprocess
from pathlib import Path

import orjson
import pytest

import replay
from drivers.reading import Quality, Reading
from monitor.encode import transition
from monitor.engine.picture import AlarmPicture, AlarmState, Priority, Transition
from replay.codec import (
    ABOUT,
    AlarmLine,
    Cut,
    Gap,
    Header,
    alarm_line,
    cut_line,
    end_line,
    entry_line,
    gap_line,
    header_line,
    on_line,
    seal_line,
)
from replay.entries import Action, Notice, Tick
from replay.journal import read_journal
from replay.migrations import STEPS, VERSION

PAGE = (Path(replay.__file__).parent / "FORMAT.md").read_text()
ROWS = {(kind, key) for kind, key in re.findall(r"^\| `(\w+)` \| `([\w.]+)` \|", PAGE, re.MULTILINE)}


def block(marker: str) -> str:
    """The block after a marker."""
    found = re.search(rf"<!-- {marker} -->\n```\w+\n(.*?)```", PAGE, re.DOTALL)
    assert found is not None
    return found[1]


def written() -> list[dict]:
    """Every kind of line, with every key that it can have."""
    alarm = AlarmPicture("lean", "S1", Priority.DANGER, AlarmState.NORMAL, False, None, None, None, "", ())
    lines = [
        header_line(Header("", "r", "s", "d", "x", 2, "0" * 64, 5)),
        entry_line(Reading("H1", 0, 0, 1, 0.5, Quality.OLD)),
        entry_line(Tick(0)),
        entry_line(Action(0, "note", {"text": "x"})),
        entry_line(Notice(0, "link", "bench", True, "lost", True)),
        alarm_line(AlarmLine(0, transition(Transition(0, alarm)))),
        seal_line(0, 1, hashlib.sha256()),
        gap_line(0, Gap(1, 1, 0, 0)),
        on_line(0, 2),
        cut_line(0, Cut(1, 1, "torn", 0, 0, "")),
        end_line(0),
    ]
    return [orjson.loads(it) for it in lines]


def test_every_key_that_is_written_is_on_the_page_and_the_reverse():
    keys = {(line["k"], key) for line in written() for key in line if key not in ("k", "t")}
    keys |= {("alarm", f"alarm.{key}") for line in written() if line["k"] == "alarm" for key in line["alarm"]}
    assert keys == ROWS


def test_every_kind_is_on_the_page_and_in_what_a_file_says_of_itself():
    for line in written():
        assert f"`{line['k']}`" in PAGE
        assert line["k"] == "header" or f"{line['k']}: " in ABOUT


@pytest.mark.parametrize("word", [it.value for it in Quality])
def test_every_quality_is_on_the_page(word):
    assert f"`{word}`" in PAGE


def test_the_versions_are_on_the_page():
    assert f"written is version **{VERSION}**" in PAGE
    assert [int(it) for it in re.findall(r"^\| (\d+) \|", PAGE, re.MULTILINE)] == [*STEPS, VERSION]


def test_the_example_is_what_the_program_writes():
    at = 50_000_000
    lines = [
        header_line(
            Header('[rig]\nname = "yard"\n', "yard", "inchwatch 0.1.0", "2026-01-01T09:00:00+00:00", "9f2c61d0b7e4a385")
        ),
        entry_line(Notice(0, "link", "bench", False, "connected")),
        entry_line(Reading("H1", 0, 40_000_000, None, 0.2501)),
        entry_line(Reading("load-x", 0, 45_000_000, 1767258000045000000, 0.0013, Quality.OLD)),
        entry_line(Tick(at)),
        entry_line(Action(at, "note", {"text": "wind from the west"})),
    ]
    lines.append(seal_line(at, len(lines), hashlib.sha256(b"".join(lines))))
    lines.append(end_line(at))
    lines.append(seal_line(at, len(lines), hashlib.sha256(b"".join(lines))))
    assert block("the example") == b"".join(lines).decode()


def test_the_example_can_be_followed_by_hand(tmp_path):
    (tmp_path / "yard.jsonl").write_text(block("the example"))
    done = subprocess.run(
        ["sh", "-eu", "-c", block("the seals")], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert done.stdout == block("what it prints")
    said = done.stdout.split()
    assert said[0::2] == said[1::2]
    journal = read_journal(tmp_path / "yard.jsonl")
    assert len(list(journal.lines())) == 5
    assert (journal.complete, journal.damage) == (True, None)


def test_one_digit_of_the_example_and_the_tools_say_so(tmp_path):
    (tmp_path / "yard.jsonl").write_text(block("the example").replace("0.2501", "0.2511"))
    done = subprocess.run(
        ["sh", "-eu", "-c", block("the seals")], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    said = done.stdout.split()
    assert said[0] != said[1]
    journal = read_journal(tmp_path / "yard.jsonl")
    assert list(journal.lines()) == []
    assert journal.damage is not None
    assert "changed" in journal.damage
