"""The journal on disk: to the bit, sealed, readable after anything that can befall a file."""

from __future__ import annotations

import json
import os
import random
import resource
import signal
import subprocess
import sys
import textwrap
import tracemalloc
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.reading import Quality, Reading
from replay.codec import AlarmLine, Gap, Header, entry_line, entry_of, parse
from replay.entries import Action, Notice, Tick
from replay.journal import JournalError, JournalWriter, read_journal

HEADER = Header("name = 'rig'\n", "rig", "inchwatch 0", "2026-01-01T00:00:00+00:00")
TEXT = st.text(max_size=12)
TIME = st.integers(0, 2**62)
ENTRIES = st.one_of(
    st.builds(
        Reading,
        TEXT,
        st.integers(0, 2**53),
        TIME,
        st.none() | st.integers(0, 2**62),
        st.floats(allow_nan=False, allow_infinity=False),
        st.sampled_from(Quality),
    ),
    st.builds(Tick, TIME),
    st.builds(
        Action,
        TIME,
        TEXT,
        st.dictionaries(TEXT, TEXT | st.floats(allow_nan=False, allow_infinity=False) | st.none()),
        TEXT,
    ),
    st.builds(Notice, TIME, TEXT, TEXT, st.booleans(), TEXT, st.booleans()),
)


@given(ENTRIES)
def test_every_entry_comes_back_to_the_bit(entry):
    line = entry_line(entry)
    assert line.count(b"\n") == 1
    again = entry_of(parse(line))
    assert again == entry
    if isinstance(entry, Reading):
        assert again.value.hex() == entry.value.hex()


def test_a_value_that_is_not_finite_is_a_fault_of_ours():
    with pytest.raises(ValueError, match="finite"):
        entry_line(Reading("H1", 0, 0, None, float("nan")))


def some_entries(count: int) -> list:
    rng = random.Random(7)
    return [
        (
            Reading("H1", i, i * 10_000_000, None, rng.random()),
            Tick(i * 10_000_000),
            Action(i * 10_000_000, "cribbed", {"height_m": 0.05}),
            Notice(i * 10_000_000, "link", "bench", True, "gone"),
            Reading("load-x", i, i * 10_000_000, 1_700_000_000 * 10**9, -0.01, Quality.OLD),
        )[i % 5]
        for i in range(count)
    ]


def written(path: Path, entries: list, close: bool = True) -> JournalWriter:
    writer = JournalWriter(path, HEADER, lambda *_: None)
    for i, entry in enumerate(entries):
        writer.write(entry)
        if i % 50 == 1:
            writer.alarm(entry.time_ns, {"rule": "lean", "i": i})
    if close:
        writer.close()
    return writer


@pytest.fixture
def whole(tmp_path) -> Path:
    path = tmp_path / "whole.jsonl"
    written(path, some_entries(400))
    return path


def played(path: Path) -> tuple[list, object]:
    journal = read_journal(path)
    return list(journal.lines()), journal


def test_what_was_written_is_played(whole):
    lines, journal = played(whole)
    assert [it for it in lines if not isinstance(it, AlarmLine)] == some_entries(400)
    assert sum(isinstance(it, AlarmLine) for it in lines) == 8
    assert (journal.complete, journal.damage, journal.lost, journal.unknown) == (True, None, 0, 0)
    assert journal.header == HEADER


def test_any_tool_reads_it(whole):
    kinds = [json.loads(line)["k"] for line in whole.read_text().splitlines()]
    assert kinds[0] == "header"
    assert kinds[-2:] == ["end", "seal"]
    assert kinds.count("seal") == 4  # 4 s of entries, sealed about once a second


@pytest.fixture(scope="module")
def small(tmp_path_factory) -> bytes:
    """Six seconds in 24 entries, so that every byte can be tried: of each kind some, and seven seals."""
    path = tmp_path_factory.mktemp("small") / "small.jsonl"
    written(path, [replace(it, time_ns=it.time_ns * 25) for it in some_entries(24)])
    raw = path.read_bytes()
    assert raw.count(b'"k":"seal"') >= 6
    return raw


def noticed(raw: bytes, path: Path) -> None:
    """A changed file is refused or played in part, each with a sentence."""
    path.write_bytes(raw)
    try:
        lines, journal = played(path)
    except JournalError as error:
        assert "\n" not in str(error)
        return
    assert journal.damage, raw
    assert len(lines) <= 25


def test_every_changed_byte_is_noticed(small, tmp_path):
    for at in range(len(small)):
        changed = bytearray(small)
        changed[at] ^= 1
        noticed(bytes(changed), tmp_path / "changed.jsonl")


def test_every_changed_digit_is_noticed(small, tmp_path):
    digits = [at for at in range(len(small)) if small[at : at + 1].isdigit()]
    assert len(digits) > 600
    for at in digits:
        other = b"%d" % ((int(small[at : at + 1]) + 1 + at % 9) % 10)
        noticed(small[:at] + other + small[at + 1 :], tmp_path / "digit.jsonl")


def test_one_digit_changed_plays_up_to_the_block_before(whole, tmp_path):
    text = whole.read_text()
    other = tmp_path / "edited.jsonl"
    at = text.index('"t":2500000000')
    value = text.index('"v":', at) + 6
    other.write_text(text[:value] + ("1" if text[value] != "1" else "2") + text[value + 1 :])
    lines, journal = played(other)
    assert journal.damage.startswith("changed: lines ")
    assert max(it.time_ns for it in lines) < 2_500_000_000
    assert not journal.complete


def test_every_prefix_is_played_or_refused_with_a_sentence(small, tmp_path):
    other, sizes = tmp_path / "torn.jsonl", []
    for size in range(len(small)):
        other.write_bytes(small[:size])
        try:
            lines, journal = played(other)
        except JournalError as error:
            assert "\n" not in str(error)
            continue
        assert journal.damage
        assert not journal.complete
        sizes.append(len(lines))
    assert sizes == sorted(sizes)
    assert sizes[-1] == 25, "the entries and an alarm"


@given(st.binary(max_size=400))
def test_any_file_is_played_or_refused(tmp_path_factory, junk):
    path = tmp_path_factory.mktemp("junk") / "junk.jsonl"
    path.write_bytes(junk)
    with pytest.raises(JournalError, match="recording"):
        read_journal(path)


def test_junk_after_a_good_header_is_damage_and_no_exception(whole, tmp_path):
    header = whole.read_bytes().split(b"\n")[0] + b"\n"
    for junk in (
        b"\x00\xff\n",
        b"[]\n",
        b"{}\n",
        b'{"k":"reading","t":1}\n',
        b'{"k":"tick","t":"x"}\n',
        b'{"k":"tick","t":1.5}\n',
        b'{"k":"reading","t":1,"c":1,"n":0,"v":1}\n',
        b'{"k":"reading","t":1,"c":"x","n":0,"v":"1"}\n',
    ):
        path = tmp_path / "junk.jsonl"
        path.write_bytes(header + junk)
        lines, journal = played(path)
        assert lines == []
        assert journal.damage


def test_a_kind_of_a_later_program_is_passed_over_and_counted(whole, tmp_path):
    raw = whole.read_bytes().split(b"\n")
    path = tmp_path / "later.jsonl"
    path.write_bytes(b"\n".join([raw[0], b'{"k":"weather","t":5}', *raw[1:5], b""]))
    lines, journal = played(path)
    assert journal.unknown == 1
    assert len(lines) == 4


@pytest.mark.parametrize(
    ("change", "says"),
    [(b'"version":3', "version 3; this program reads versions 1 to 2$"), (b'"version":"1"', "version '1'")],
)
def test_another_format_version_is_refused(whole, change, says):
    whole.write_bytes(whole.read_bytes().replace(b'"version":2', change, 1))
    with pytest.raises(JournalError, match=says):
        read_journal(whole)


def test_a_folder_and_nothing_are_sentences(tmp_path):
    with pytest.raises(JournalError, match="folder"):
        read_journal(tmp_path)
    with pytest.raises(JournalError, match="No such file"):
        read_journal(tmp_path / "nothing")


def test_nothing_is_ever_written_over(whole):
    before = whole.read_bytes()
    with pytest.raises(JournalError, match="never written over"):
        JournalWriter(whole, HEADER, lambda *_: None)
    assert whole.read_bytes() == before


def test_a_folder_that_is_not_there_is_a_sentence(tmp_path):
    with pytest.raises(JournalError, match="cannot record there"):
        JournalWriter(tmp_path / "no" / "such.jsonl", HEADER, lambda *_: None)


FULL = """
import resource, signal, sys, threading
from pathlib import Path
from replay.journal import JournalWriter
from replay.codec import Header
from replay.entries import Notice, Tick
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (4000, resource.RLIM_INFINITY))
said, trouble = [], threading.Event()
def on_trouble(active, text, nothing_kept):
    said.append((active, text)); trouble.set()
writer = JournalWriter(Path(sys.argv[1]), Header("", "r", "s", "d"), on_trouble)
for i in range(500):
    writer.write(Tick(i * 10_000_000))
assert trouble.wait(10), "a full disk is said"
assert said[0][0] and "not kept" in said[0][1], said
writer.write(Notice(5_000_000_000, "recorder", "", True, "the disk is full"))
trouble.clear()
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
assert trouble.wait(10) and not said[1][0], said
writer.write(Notice(6_000_000_000, "recorder", "", False, "recording again"))
writer.close()
"""


def test_a_full_disk_is_said_and_nothing_is_lost_once_there_is_room(tmp_path):
    path = tmp_path / "full.jsonl"
    subprocess.run([sys.executable, "-c", FULL, str(path)], check=True, timeout=60)
    lines, journal = played(path)
    late, later = lines[500:]
    assert lines[:500] == [Tick(i * 10_000_000) for i in range(500)]
    assert late == Notice(5_000_000_000, "recorder", "", True, "the disk is full", late=True)
    assert later == Notice(6_000_000_000, "recorder", "", False, "recording again"), "that one was written as it came"
    assert journal.complete


def test_past_the_bound_a_gap_says_how_much_is_lost(tmp_path, monkeypatch):
    monkeypatch.setattr("replay.place.KEPT_AT_MOST", 2000)
    monkeypatch.setattr("replay.place.WRITE_EVERY_S", 60.0)
    path = tmp_path / "gap.jsonl"
    writer = JournalWriter(path, HEADER, lambda *_: None)
    for i in range(200):
        writer.write(Tick(i))
    writer._places[0]._write_out()
    writer.write(Tick(1000))
    writer.close()
    lines, journal = played(path)
    assert journal.complete
    assert journal.lost == 200 - (len(lines) - 1) > 0
    assert lines[-1] == Tick(1000)
    kept = len(lines) - 1
    assert journal.gaps == [Gap(200 - kept, 0, kept, 199)], "which they were, too"


def test_what_is_lost_last_is_said_at_the_end(tmp_path, monkeypatch):
    monkeypatch.setattr("replay.place.KEPT_AT_MOST", 2000)
    monkeypatch.setattr("replay.place.WRITE_EVERY_S", 60.0)
    writer = JournalWriter(tmp_path / "gap.jsonl", HEADER, lambda *_: None)
    for i in range(200):
        writer.write(Tick(i))
    writer.close()
    lines, journal = played(tmp_path / "gap.jsonl")
    assert journal.complete
    assert journal.gaps == [Gap(200 - len(lines), 0, len(lines), 199)]


def test_what_people_did_and_alarms_are_kept_where_readings_are_lost(tmp_path, monkeypatch):
    monkeypatch.setattr("replay.place.KEPT_AT_MOST", 2000)
    monkeypatch.setattr("replay.place.WRITE_EVERY_S", 60.0)
    dear = [Action(1500, "stop", {"reason": "x"}), Notice(2500, "recorder", "", True, "the disk is full")]
    writer = JournalWriter(tmp_path / "gap.jsonl", HEADER, lambda *_: None)
    for i, it in enumerate(dear):
        for k in range(200):
            writer.write(Reading("H1", i * 200 + k, i * 1000 + k, None, 0.5))
        writer.write(it)
        writer.alarm(it.time_ns, {"rule": "stop"})
    writer.close()
    lines, journal = played(tmp_path / "gap.jsonl")
    assert [it for it in lines if isinstance(it, Action | Notice)] == dear
    assert sum(isinstance(it, AlarmLine) for it in lines) == 2
    kept = sum(isinstance(it, Reading) for it in lines)
    assert journal.gaps == [Gap(200 - kept, 0, kept, 199), Gap(200, 0, 1000, 1199)]


def test_past_the_last_bound_alarms_are_lost_and_counted(tmp_path, monkeypatch):
    monkeypatch.setattr("replay.place.KEPT_AT_MOST", 2000)
    monkeypatch.setattr("replay.place.DEAR_AT_MOST", 1000)
    monkeypatch.setattr("replay.place.WRITE_EVERY_S", 60.0)
    writer = JournalWriter(tmp_path / "gap.jsonl", HEADER, lambda *_: None)
    for i in range(300):
        writer.alarm(i, {"rule": "stop"})
    writer.close()
    lines, journal = played(tmp_path / "gap.jsonl")
    assert journal.gaps == [Gap(0, 300 - len(lines), len(lines), 299)]


def test_what_waits_for_a_disk_takes_no_more_memory_than_it_is_long(tmp_path, monkeypatch):
    monkeypatch.setattr("replay.place.WRITE_EVERY_S", 60.0)
    writer = JournalWriter(tmp_path / "waits.jsonl", HEADER, lambda *_: None)
    tracemalloc.start()
    for i in range(20_000):
        writer.write(Reading("S1-head-x", i, i * 250_000, None, i * 0.1))
    held = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    size = writer._places[0]._size
    assert size > 1_400_000
    assert held < 1.1 * size + 512 * 5_000, "and the last lines, each in the buffer that it was made in"
    writer.close()


KILLED = """
import sys, threading, time
from pathlib import Path
from drivers.reading import Reading
from replay.journal import JournalWriter
from replay.codec import Header
writer = JournalWriter(Path(sys.argv[1]), Header("", "r", "s", "d"), print)
begun, pace = time.monotonic_ns(), threading.Event()
for i in range(10**9):
    now = time.monotonic_ns()
    writer.write(Reading("H1", i, now - begun, None, i * 0.5))
    print(i, now, flush=True)
    pace.wait(0.001)  # an engine's thread waits between readings, too
"""


@pytest.mark.parametrize("seed", range(20))
def test_kill_9_costs_a_quarter_of_a_second_at_most(tmp_path, seed):
    path = tmp_path / "killed.jsonl"
    rng = random.Random(seed)
    child = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(KILLED), str(path)], stdout=subprocess.PIPE, text=True
    )
    assert child.stdout is not None
    handed = []
    stop_after = rng.randrange(40, 1200)
    for line in child.stdout:
        handed.append(tuple(map(int, line.split())))
        if len(handed) >= stop_after:
            break
    os.kill(child.pid, signal.SIGKILL)
    handed += [tuple(map(int, line.split())) for line in child.stdout if line.endswith("\n") and len(line.split()) == 2]
    child.wait()
    child.stdout.close()
    lines, journal = played(path)
    assert [it.sequence for it in lines] == list(range(len(lines))), "nothing is missing in between"
    assert journal.damage
    assert not journal.damage.startswith("changed")
    missing = handed[len(lines) :]
    if missing:
        assert (handed[-1][1] - missing[0][1]) * 1e-9 <= 0.25


def test_the_limit_of_this_process_was_not_touched():
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] == resource.RLIM_INFINITY
