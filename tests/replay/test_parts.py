"""A session in several files: one to whoever plays it, and what is missing or foreign is one sentence."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
from pathlib import Path

import orjson
import pytest

from drivers.reading import Reading
from replay.codec import AlarmLine, CodecError, Header, header_line, read_header
from replay.entries import Action, Notice, Tick
from replay.journal import JournalError, JournalWriter, read_journal
from replay.names import base_of, part_path
from replay.recording import Recording, read_recording, recordings, unread
from replay.writer import Split

HEADER = Header("name = 'rig'\n", "rig", "inchwatch 0", "2026-01-01T00:00:00+00:00", "0123456789abcdef")
SPLIT = Split(6_000)


def some_entries(count: int) -> list:
    rng = random.Random(11)
    return [
        (
            Reading("H1", i, i * 10_000_000, None, rng.random()),
            Tick(i * 10_000_000),
            Action(i * 10_000_000, "cribbed", {"height_m": 0.05}),
            Notice(i * 10_000_000, "link", "bench", i % 2 == 0, "gone"),
        )[i % 4]
        for i in range(count)
    ]


def written(path: Path, entries: list, split: Split | None = SPLIT, header: Header = HEADER) -> list[Path]:
    """The files of a session that was written to its end; each entry reaches the disk before the next is handed over."""
    writer = JournalWriter(path, header, pytest.fail, split=split)
    for i, entry in enumerate(entries):
        writer.write(entry)
        if i % 50 == 1:
            writer.alarm(entry.time_ns, {"rule": "lean", "i": i})
        writer._places[0]._write_out()
    writer.close()
    return sorted(path.parent.glob(f"{path.stem}*"))


@pytest.fixture(autouse=True)
def by_hand(monkeypatch):
    monkeypatch.setattr("replay.place.WRITE_EVERY_S", 60.0)
    monkeypatch.setattr("replay.place.SYNC_EVERY_S", 60.0)


@pytest.fixture
def parts(tmp_path) -> list[Path]:
    """Four files of one session, or a few more."""
    return written(tmp_path / "day.jsonl", some_entries(300))


def played(*paths: Path) -> tuple[list, Recording]:
    found = list(recordings(paths))
    assert [type(it) for it in found] == [Recording], found
    return list(found[0].lines()), found[0]


def test_a_session_in_parts_is_the_session(parts, tmp_path):
    (tmp_path / "whole").mkdir()
    whole = written(tmp_path / "whole/day.jsonl", some_entries(300), None)
    assert (len(whole), len(parts)) == (1, 5)
    lines, recording = played(parts[0])
    assert lines == list(read_journal(whole[0]).lines())
    assert [it for it in lines if not isinstance(it, AlarmLine)] == some_entries(300)
    assert (recording.complete, recording.damage, recording.gaps, recording.unknown) == (True, None, [], 0)


def test_names_sort_and_each_part_says_which_it_is(parts):
    assert [it.name for it in parts[:3]] == ["day.jsonl", "day.part0002.jsonl", "day.part0003.jsonl"]
    headers = [read_header(it.read_bytes().split(b"\n")[0]) for it in parts]
    assert [it.part for it in headers] == [1, 2, 3, 4, 5]
    assert {it.session for it in headers} == {HEADER.session}
    assert {it.rig for it in headers} == {HEADER.rig}
    for before, after in zip(parts, headers[1:], strict=False):
        *_, on, seal = map(orjson.loads, before.read_bytes().splitlines())
        assert on == {"k": "on", "t": on["t"], "part": after.part}
        assert (after.before, after.from_ns) == (seal["sha256"], on["t"])
    assert all(it.stat().st_size < SPLIT.size + 500 for it in parts), "an entry and a seal more"


@pytest.mark.parametrize("at", range(5))
def test_any_file_of_a_session_brings_the_rest(parts, at):
    assert [it for it in played(parts[at])[0] if not isinstance(it, AlarmLine)] == some_entries(300)


def test_a_folder_and_all_of_them_and_whatever_they_are_called_are_the_session(parts, tmp_path):
    lines = list(read_recording(parts[0]).lines())
    assert played(tmp_path)[0] == lines
    assert played(*reversed(parts))[0] == lines
    (tmp_path / "other").mkdir()
    renamed = [it.rename(tmp_path / "other" / f"{name}.jsonl") for it, name in zip(parts, "dacbe", strict=True)]
    assert played(*renamed)[0] == lines
    assert played(tmp_path / "other")[0] == lines


def test_two_copies_are_two_sessions(parts, tmp_path):
    for it in parts:
        (tmp_path / it.name.replace("day", "copy")).write_bytes(it.read_bytes())
    found = list(recordings([tmp_path]))
    assert [it.path.name for it in found] == ["copy.jsonl", "day.jsonl"]
    assert list(found[0].lines()) == list(found[1].lines())
    assert all(it.complete for it in found)


def test_parts_come_after_so_much_time(tmp_path):
    parts = written(tmp_path / "day.jsonl", some_entries(300), Split(every_ns=1_000_000_000))
    assert [orjson.loads(it.read_bytes().splitlines()[1])["t"] for it in parts] == [0, 1_000_000_000, 2_000_000_000]
    assert played(parts[0])[1].complete


def test_a_finished_part_that_is_deleted_is_told_while_the_session_goes_on(tmp_path, monkeypatch):
    monkeypatch.setattr("replay.place.RETRY_S", 0.0)
    monkeypatch.setattr("replay.place.TOLD_S", 0.0)
    said = []
    writer = JournalWriter(
        tmp_path / "it.jsonl", HEADER, lambda active, text, _: said.append((active, text)), split=SPLIT
    )

    def go(entries) -> None:
        for entry in entries:
            writer.write(entry)
            writer._places[0]._write_out()

    entries = some_entries(600)
    go(entries[:400])
    second = part_path(tmp_path / "it.jsonl", 2)
    assert second.exists()
    assert said == []
    second.rename(tmp_path / "away.jsonl")
    go(entries[400:500])
    assert said == [(True, "it.part0002.jsonl deleted or moved")]
    (tmp_path / "away.jsonl").rename(second)
    go(entries[500:])
    writer.close()
    assert [active for active, _ in said] == [True, False]
    assert played(second)[0] == entries


def test_a_missing_part_ends_what_is_played(parts):
    parts[2].unlink()
    lines, recording = played(parts[0])
    assert (
        recording.damage == "part 3 (day.part0003.jsonl) is missing; not played: day.part0004.jsonl, day.part0005.jsonl"
    )
    assert not recording.complete
    entries = [it for it in lines if not isinstance(it, AlarmLine)]
    assert entries == some_entries(300)[: len(entries)]
    assert lines == [line for part in parts[:2] for line in read_journal(part).lines()]


def test_a_missing_last_part_may_be_a_session_that_was_cut_off(parts):
    parts[-1].unlink()
    assert played(parts[0])[1].damage == "part 5 (day.part0005.jsonl) is missing, or it stops where that was to begin"


def test_without_its_first_part_it_is_refused(parts):
    parts[0].unlink()
    found = list(recordings(parts[1:]))
    assert len(found) == 1
    assert isinstance(found[0], JournalError)
    assert "is part 2 of a recording, and part 1 is not with it" in str(found[0])
    with pytest.raises(JournalError, match="part 1 is not with it"):
        read_recording(parts[1])


def test_a_part_of_another_session_is_told(parts, tmp_path):
    (tmp_path / "b").mkdir()
    other = Header(*[getattr(HEADER, key) for key in ("rig", "rig_name", "software", "started")], "another")
    foreign = written(tmp_path / "b/day.jsonl", some_entries(300), header=other)
    parts[1].write_bytes(foreign[1].read_bytes())
    for it in parts[2:]:
        it.unlink()
    _, recording = played(parts[0])
    assert (
        recording.damage == "part 2 is missing: day.part0002.jsonl is part 2 of another session; it was not played"
    ), "and found by its name"


def test_a_part_that_does_not_follow_is_told(parts, tmp_path):
    (tmp_path / "b").mkdir()
    alike = written(tmp_path / "b/day.jsonl", some_entries(299)[::-1])  # the same session by name, with other contents
    parts[1].write_bytes(alike[1].read_bytes())
    lines, recording = played(parts[0])
    assert recording.damage.startswith(
        "day.part0002.jsonl does not follow day.jsonl: it goes on from another last seal;"
    )
    assert lines == list(read_journal(parts[0]).lines())


def test_a_part_after_the_end_is_told(parts, tmp_path):
    (tmp_path / "b").mkdir()
    longer = written(tmp_path / "b/day.jsonl", some_entries(600))
    (tmp_path / "day.part0006.jsonl").write_bytes(longer[5].read_bytes())
    assert played(parts[0])[1].damage == (
        "day.part0006.jsonl is part 6 of a session that ended with part 5; not played: day.part0006.jsonl"
    )


def test_a_changed_part_ends_what_is_played(parts):
    raw = parts[1].read_bytes()
    at = raw.index(b'"height_m":0.05')
    parts[1].write_bytes(raw[:at] + b'"height_m":0.06' + raw[at + 15 :])
    _, recording = played(parts[0])
    assert recording.damage.startswith("day.part0002.jsonl: changed: lines ")
    assert recording.damage.endswith("; not played: day.part0003.jsonl, day.part0004.jsonl, day.part0005.jsonl")


@pytest.mark.parametrize("size", [0, 1, 200, 10**6])
def test_a_session_cut_off_as_a_part_began_is_played(parts, size):
    raw = parts[-1].read_bytes()
    header = raw.index(b"\n") + 1
    parts[-1].write_bytes(raw[: min(size, header)])
    before = [list(read_journal(it).lines()) for it in parts[:-1]]
    lines, recording = played(*parts)
    assert lines == [line for part in before for line in part]
    assert recording.damage == (
        "day.part0005.jsonl: not closed: it stops after line 1; all of it was played"
        if size >= header
        else "not closed: it stops where part 5 was begun; all of it was played"
    )


def test_what_is_no_recording_in_a_folder_is_said_beside_the_others(parts, tmp_path):
    (tmp_path / "notes.jsonl").write_text("{}\n")
    found = list(recordings([tmp_path]))
    assert [type(it) for it in found] == [Recording, JournalError]
    assert "notes.jsonl: is no recording" in str(found[1])
    (tmp_path / "none").mkdir()
    assert "holds no recording" in str(*recordings([tmp_path / "none"]))


def test_recordings_in_folders_below_are_counted_and_not_read(parts, tmp_path, monkeypatch):
    """A crew keeps a season by days: nothing said that only those beside them had been judged."""
    season, first, second = tmp_path / "season", tmp_path / "season" / "day 1", tmp_path / "season" / "north" / "day 2"
    for folder in (first, second, season / ".Trash-1000", season / "empty"):
        folder.mkdir(parents=True)
    for path in (first / "a.jsonl", first / "b.jsonl", second / "c.jsonl", season / ".Trash-1000" / "d.jsonl"):
        path.write_bytes(parts[0].read_bytes())
    (first / "a.notes.jsonl").write_text("{}\n")
    (season / "again").symlink_to(season)
    below = (
        f"not read: 3 files that may be recordings, in folders below it; give those folders as well, such as {first}"
    )
    assert [str(it) for it in recordings([season])] == [
        f"{season}: holds no recording, which is a file that ends in .jsonl; {below}"
    ]
    assert not list(unread([season])), "that says it already"
    (season / "e.jsonl").write_bytes(parts[0].read_bytes())
    assert [it.path.name for it in recordings([season])] == ["e.jsonl"]
    assert list(unread([season])) == [f"{season}: {below}"]
    (said,) = unread([season, first, season / "e.jsonl"])
    assert said.startswith(f"{season}: not read: 1 file that may be recordings, in folders below it; ")
    assert not list(unread([season, first, second]))
    assert not list(unread([season, first, second / "c.jsonl"]))
    (season / "e.jsonl").unlink()
    (said, *_) = map(str, recordings([season, first, second]))
    assert said == f"{season}: holds no recording, which is a file that ends in .jsonl"
    (season / "e.jsonl").write_bytes(parts[0].read_bytes())
    assert not list(unread([first, season / "e.jsonl"]))
    monkeypatch.setattr("replay.recording._MOST_FOLDERS", 2)
    assert "not read: at least 2 files" in next(unread([season]))


def test_a_later_part_is_refused_by_who_knows_of_none():
    """Format version 2 in its header: a reader of version 1 would take it for a session that begins there."""
    line = header_line(Header("", "r", "s", "d", "x", 2, "0" * 64, 5))
    assert orjson.loads(line)["version"] == 2
    assert read_header(line) == Header("", "r", "s", "d", "x", 2, "0" * 64, 5)
    for key, value in (("version", 1), ("part", 0), ("part", "2"), ("session", 5), ("session", "")):
        with pytest.raises(CodecError):
            read_header(orjson.dumps(orjson.loads(line) | {key: value}))


def test_names_of_parts():
    first = Path("x/day.jsonl")
    assert part_path(first, 1) == first
    assert part_path(first, 12) == Path("x/day.part0012.jsonl")
    assert part_path(Path("day.rec"), 2) == Path("day.rec.part0002.jsonl")
    for name in ("day.jsonl", "day.part0002.jsonl", "day.part0002.again1.jsonl", "day.again2.jsonl"):
        assert base_of(Path(name)) == "day"
    assert base_of(Path("day.rec")) == base_of(Path("day.rec.part0002.jsonl")) == "day.rec"
    assert base_of(Path("day.part2.jsonl")) == "day.part2"


KILLED = """
import os, signal, sys
from pathlib import Path
from drivers.reading import Reading
from replay import place
from replay.codec import Header
from replay.journal import JournalWriter
from replay.writer import Split

class Counted:
    # the real os, which is ended with kill -9 before the call number `fatal` that can change a file
    def __init__(self, fatal):
        self.left = fatal
    def __getattr__(self, name):
        it = getattr(os, name)
        if name not in ("open", "write", "close", "unlink", "fdatasync"):
            return it
        def call(*args):
            if self.left == 0:
                os.kill(os.getpid(), signal.SIGKILL)
            self.left -= 1
            return it(*args)
        return call

def session(path, fatal):
    place.os, place.WRITE_EVERY_S, place.SYNC_EVERY_S = Counted(fatal), 60.0, 60.0
    writer = JournalWriter(path, Header("", "r", "s", "d", "x"), print, split=Split(3_500))
    for i in range(150):
        writer.write(Reading("H1", i, i * 20_000_000, None, i * 0.5))
        if i % 5 == 4:
            writer._places[0]._write_out()
            os.write(1, b"%d %d\\n" % (fatal, i))
    writer.close()

fatal = 0
while True:
    child = os.fork()
    if child == 0:
        session(Path(sys.argv[1]) / f"{fatal:03d}.jsonl", fatal)
        os._exit(0)
    if os.waitpid(child, 0)[1] == 0:
        break
    fatal += 1
"""


def test_kill_9_before_every_call_that_can_change_a_file_leaves_what_was_written(tmp_path):
    done = subprocess.run([sys.executable, "-c", KILLED, str(tmp_path)], stdout=subprocess.PIPE, check=True, timeout=90)
    written: dict[int, int] = {}
    for line in done.stdout.splitlines():
        fatal, last = map(int, line.split())
        written[fatal] = last + 1
    found = list(recordings([tmp_path]))
    said = set()
    seen = 0
    for it in found:
        if isinstance(it, JournalError):
            assert "000.jsonl" in str(it) or "001.jsonl" in str(it), "killed before its header was written"
            continue
        lines = list(it.lines())
        fatal = int(it.path.stem)
        assert [line.sequence for line in lines] == list(range(len(lines)))
        assert len(lines) >= written.get(fatal, 0)
        assert it.complete or it.damage
        said.add((it.damage or "whole").split(":")[0].split(" (")[0])
        seen += len(it.parts) > 1
    assert len(found) > 40
    assert seen > 25, "most were killed in a later part"
    assert "whole" in said
    assert "not closed" in said, said


PACED = """
import sys, threading, time
from pathlib import Path
from drivers.reading import Reading
from replay import place
from replay.codec import Header
from replay.journal import JournalWriter
from replay.writer import Split
place.WRITE_EVERY_S = 0.01
writer = JournalWriter(Path(sys.argv[1]), Header("", "r", "s", "d", "x"), print, split=Split(4_000))
begun, pace = time.monotonic_ns(), threading.Event()
for i in range(10**9):
    now = time.monotonic_ns()
    writer.write(Reading("H1", i, now - begun, None, i * 0.5))
    print(i, now, flush=True)
    pace.wait(0.001)
"""


@pytest.mark.parametrize("seed", range(4))
def test_kill_9_while_parts_follow_each_other_costs_a_quarter_of_a_second_at_most(tmp_path, seed):
    path = tmp_path / "killed.jsonl"
    child = subprocess.Popen([sys.executable, "-c", PACED, str(path)], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    handed, stop_after = [], random.Random(seed).randrange(300, 1200)
    for line in child.stdout:
        handed.append(tuple(map(int, line.split())))
        if len(handed) >= stop_after:
            break
    os.kill(child.pid, signal.SIGKILL)
    handed += [tuple(map(int, line.split())) for line in child.stdout if line.endswith("\n") and len(line.split()) == 2]
    child.wait()
    child.stdout.close()
    lines, recording = played(path)
    assert [it.sequence for it in lines] == list(range(len(lines))), "nothing is missing in between"
    assert len(recording.parts) > 3
    assert recording.damage
    assert "changed" not in recording.damage
    missing = handed[len(lines) :]
    assert not missing or (handed[-1][1] - missing[0][1]) * 1e-9 <= 0.25
