"""Files of every older format version, written by the programs of their day, read by this one.

`older/one-file.jsonl` was written by the program of commit 23b81e3, the last before there were parts; `older/parts*.jsonl`
by that of 0e58954, the last of version 1. Of both the bound of what waits in memory was lowered for three ticks, so that
a gap came.
The values are invented.
"""

from __future__ import annotations

from pathlib import Path

import orjson
import pytest

from drivers.reading import Quality, Reading
from replay import migrations
from replay.codec import AlarmLine, CodecError, Gap, Header, gap_of, header_line, read_header
from replay.entries import Action, Notice, Tick
from replay.journal import read_journal
from replay.migrations import STEPS, VERSION, migrated, readable
from replay.recording import read_recording

OLDER = Path(__file__).resolve().parent / "older"
STEP_NS = 50_000_000


def _expected(kept: set[int], ticks: set[int]) -> list[object]:
    """What both programs were handed, but for what they could not keep."""
    lines: list[object] = [Notice(0, "link", "bench", False, "connected")]
    for k in range(50):
        t = k * STEP_NS
        if k in kept:
            old = Quality.OLD if k == 7 else Quality.GOOD
            lines.append(Reading("H1", k, t, 1764100800000000000 + t, 0.3 + k * 1e-5, old))
            lines.append(Reading("S1-lower-p", k, t, None, 100000.0 + k, old))
        if k in ticks:
            lines.append(Tick(t))
        if k == 10:
            lines.append(Action(t, "zero", {"live_only": True}, "automatic"))
        if k == 20:
            lines.append(
                AlarmLine(t, {"kind": "alarm", "t": t * 1e-9, "state": "raised", "rule": "lean", "about": "S1"})
            )
    return lines


@pytest.mark.parametrize(("name", "parts"), [("one-file", 1), ("parts", 3)])
def test_a_file_of_an_older_version_plays(name, parts):
    recording = read_recording(OLDER / f"{name}.jsonl")
    lost = {31, 32, 33}
    expected = _expected(set(range(50)) - lost, set(range(50)) - {30, 31, 32})
    assert list(recording.lines()) == expected
    assert (recording.complete, recording.damage, recording.unknown) == (True, None, 0)
    assert len(recording.parts) == parts
    times = (None, None) if name == "one-file" else (30 * STEP_NS, 33 * STEP_NS)
    assert recording.gaps == [Gap(9, 0, *times)]


def test_the_older_files_are_of_all_older_versions():
    found = {orjson.loads(it.read_bytes().split(b"\n")[0])["version"] for it in OLDER.iterdir()}
    assert set(STEPS) <= found
    assert set(STEPS) == set(range(1, VERSION)), "a step from each version to the next"


def test_without_its_step_an_older_line_is_no_line_of_this_version():
    """So that a step is not only there: it is needed."""
    raw = (OLDER / "one-file.jsonl").read_bytes().split(b"\n")
    with pytest.raises(CodecError, match="which part"):
        read_header(raw[0].replace(b'"version":1', b'"version":2'))
    gap = orjson.loads(next(it for it in raw if it.startswith(b'{"k":"gap"')))
    with pytest.raises(CodecError, match="gap line"):
        gap_of(gap)
    assert gap_of(migrated(gap, 1)) == Gap(9, 0, None, None)


def test_a_header_says_of_which_version_its_file_is_and_is_written_in_the_newest():
    old = read_journal(OLDER / "one-file.jsonl").header
    assert (old.version, old.session, old.part) == (1, "", 1)
    assert orjson.loads(header_line(old))["version"] == VERSION
    assert read_header(header_line(old)) == Header(old.rig, old.rig_name, old.software, old.started)


@pytest.mark.parametrize("version", [0, VERSION + 1, -1, 10**30, 1.0, True, "1", None, [1]])
def test_other_versions_are_refused_with_what_can_be_read(version):
    assert not readable(version)
    line = orjson.loads(header_line(Header("", "r", "s", "d"))) | {"version": version if version != 10**30 else 1e30}
    with pytest.raises(CodecError, match=r"made in format version .*; this program reads versions 1 to 2$"):
        read_header(orjson.dumps(line))


def test_steps_are_taken_in_order_from_the_file_s_version_on(monkeypatch):
    """With a version of tomorrow, that there is none of: what it will need is there."""
    monkeypatch.setattr(migrations, "VERSION", 3)
    monkeypatch.setitem(STEPS, 2, {"gap": lambda line: line | {"why": f"of {line['from']}"}})
    assert migrated({"k": "gap", "lost": 9}, 1) == {"k": "gap", "lost": 9, "from": None, "to": None, "why": "of None"}
    assert migrated({"k": "gap", "lost": 9, "from": 1}, 2) == {"k": "gap", "lost": 9, "from": 1, "why": "of 1"}
    assert migrated({"k": "tick", "t": 5}, 1) == {"k": "tick", "t": 5}
    assert migrated({"k": "gap", "lost": 9}, 3) == {"k": "gap", "lost": 9}
