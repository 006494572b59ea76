"""A damaged recording, repaired: what was played of the old is played of the new, which says that it is not whole."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers.reading import Reading
from replay.codec import Header, JournalError
from replay.entries import Action, Tick
from replay.journal import JournalWriter, read_journal
from replay.recording import Recording, read_recording
from replay.repair import repair
from replay.writer import Split

HEADER = Header("name = 'rig'\n", "rig", "inchwatch 0", "2026-01-01T00:00:00+00:00", "0123456789abcdef")


def written(path: Path, split: Split | None = None) -> list[Path]:
    """Six seconds of a session, in one file or in several."""
    writer = JournalWriter(path, HEADER, pytest.fail, split=split)
    for i in range(24):
        writer.write((Reading("H1", i, i * 250_000_000, None, i * 0.1), Tick(i * 250_000_000))[i % 2])
        writer._places[0]._write_out()
    writer.write(Action(6_000_000_000, "note", {"text": "x"}))
    writer.alarm(6_000_000_000, {"rule": "lean"})
    writer.close()
    return sorted(path.parent.glob(f"{path.stem}*"))


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> bytes:
    return written(tmp_path_factory.mktemp("repair") / "whole.jsonl")[0].read_bytes()


@pytest.fixture
def parts(tmp_path) -> list[Path]:
    return written(tmp_path / "day.jsonl", Split(every_ns=1_600_000_000))


@pytest.fixture(autouse=True)
def without_the_disk(monkeypatch):
    """Hundreds of files: what a disk does with each is no question here."""
    monkeypatch.setattr("replay.repair.os.fsync", lambda _: None)


def played(path: Path) -> tuple[list, Recording]:
    recording = read_recording(path)
    return list(recording.lines()), recording


def repaired(path: Path, new: Path) -> tuple[list, Recording]:
    """What is played of a file's repair, once it was seen to be what is played of the file, and the file to be as it was."""
    before, raw = path.read_bytes(), played(path)
    made = repair(raw[1], new)
    again = played(new)
    assert again[0] == raw[0]
    assert path.read_bytes() == before
    assert [it.path for it in again[1].parts] == made
    return again


def test_any_prefix_is_repaired_to_what_is_played_of_it(whole, tmp_path):
    ends = [at for at, byte in enumerate(whole) if byte == 10]
    sizes = {*(end + more for end in ends for more in (0, 1, 2)), *range(ends[0], len(whole), 31)} - {
        len(whole),
        len(whole) + 1,
    }
    torn, new = tmp_path / "torn.jsonl", tmp_path / "new.jsonl"
    said = set()
    for size in sorted(sizes):
        torn.write_bytes(whole[:size])
        lines, recording = repaired(torn, new)
        assert recording.damage is not None
        assert recording.damage.startswith("repaired: ")
        assert not recording.complete
        sealed = read_journal(torn)
        assert list(sealed.lines()) == lines
        assert new.read_bytes().startswith(whole[: sealed.sealed.size]), "what is proven is there to the byte"
        said.add(recording.damage.split(":")[1])
        new.unlink()
    assert said == {" torn", " not closed"}


def test_what_it_says(whole, tmp_path):
    torn = tmp_path / "torn.jsonl"
    torn.write_bytes(whole[: whole.rindex(b'{"k":"action"') + 20])
    assert repaired(torn, tmp_path / "new.jsonl")[1].damage == (
        "repaired: torn: it ends in the middle of line 32; 20 bytes were left out"
    )
    torn.write_bytes(whole[: whole.rindex(b'"lines"')])
    assert repaired(torn, tmp_path / "newer.jsonl")[1].damage == (
        "repaired: torn: it ends in the middle of line 35; 54 bytes were left out; no seal had proven the last 2 lines "
        "before that"
    ), "its end was not sealed, so it is not kept"


def test_what_was_changed_is_left_out_with_all_that_follows(whole, tmp_path):
    changed = tmp_path / "changed.jsonl"
    at = whole.index(b'"t":3500000000')
    changed.write_bytes(whole[: at + 4] + b"4" + whole[at + 5 :])
    lines, recording = repaired(changed, tmp_path / "new.jsonl")
    assert max(it.time_ns for it in lines) < 3_000_000_000
    assert recording.damage.startswith("repaired: changed: lines 17 to 20 do not match the seal in line 21; ")
    assert recording.damage.endswith(" bytes were left out, of 3.0 s to 6.0 s")


def test_a_line_taken_out_is_told_by_the_count(whole, tmp_path):
    at = whole.index(b'{"k":"tick","t":3250000000')
    changed = tmp_path / "changed.jsonl"
    changed.write_bytes(whole[:at] + whole[whole.index(b"\n", at) + 1 :])
    assert played(changed)[1].damage == (
        "changed: lines 17 to 19 do not match the seal in line 20, which says that 20 lines stand before it; played up to "
        "line 16"
    )


def test_zeros_that_a_power_cut_left_are_a_tear(whole, tmp_path):
    torn = tmp_path / "zeros.jsonl"
    at = whole.index(b'{"k":"tick","t":3250000000')
    torn.write_bytes(whole[:at] + b"\0" * 4096)
    lines, recording = repaired(torn, tmp_path / "new.jsonl")
    assert lines[-1] == Reading("H1", 12, 3_000_000_000, None, 12 * 0.1)
    assert "4096 bytes were left out" in recording.damage


def test_what_stands_after_the_end_is_none_of_it(whole, tmp_path):
    longer = tmp_path / "longer.jsonl"
    for junk in (b'{"k":"tick","t":9}\n', b"half a line"):
        longer.write_bytes(whole + junk)
        assert played(longer)[1].damage
        assert repaired(longer, tmp_path / "new.jsonl")[1].complete
        assert (tmp_path / "new.jsonl").read_bytes() == whole
        (tmp_path / "new.jsonl").unlink()


def test_a_repaired_one_that_was_torn_again_is_repaired_again(whole, tmp_path):
    torn = tmp_path / "torn.jsonl"
    torn.write_bytes(whole[:-300])
    repaired(torn, tmp_path / "new.jsonl")
    with pytest.raises(JournalError, match="is repaired already"):
        repair(played(tmp_path / "new.jsonl")[1], tmp_path / "newer.jsonl")
    raw = (tmp_path / "new.jsonl").read_bytes()
    for size in range(raw.rindex(b'{"k":"cut"') - 5, len(raw), 9):
        torn.write_bytes(raw[:size])
        assert repaired(torn, tmp_path / "newer.jsonl")[1].parts[0].repaired
        (tmp_path / "newer.jsonl").unlink()


def test_whole_proven_by_nothing_or_there_already_it_is_refused(whole, tmp_path):
    path, new = tmp_path / "it.jsonl", tmp_path / "new.jsonl"
    path.write_bytes(whole)
    with pytest.raises(JournalError, match="nothing is wrong with it"):
        repair(played(path)[1], new)
    path.write_bytes(whole.replace(b"name = 'rig'", b"name = 'rag'"))
    assert played(path)[1].damage.startswith("changed: lines 1 to ")
    with pytest.raises(JournalError, match="nothing in it is proven"):
        repair(played(path)[1], new)
    path.write_bytes(whole[:-5])
    with pytest.raises(JournalError, match=r"ends in \.jsonl"):
        repair(played(path)[1], tmp_path / "new.txt")
    with pytest.raises(JournalError, match="No such file"):
        repair(played(path)[1], tmp_path / "no" / "new.jsonl")
    assert not new.exists()
    new.write_bytes(b"mine")
    for target in (new, path):
        with pytest.raises(JournalError, match="nothing is written over"):
            repair(played(path)[1], target)
    assert (new.read_bytes(), path.read_bytes()) == (b"mine", whole[:-5])


def test_a_damaged_part_ends_the_repaired_session(parts, tmp_path):
    assert len(parts) == 4
    raw = parts[2].read_bytes()
    parts[2].write_bytes(raw[:-40])
    _, recording = repaired(parts[0], tmp_path / "new.jsonl")
    assert [it.path.name for it in recording.parts] == ["new.jsonl", "new.part0002.jsonl", "new.part0003.jsonl"]
    for old, new in zip(parts[:2], recording.parts, strict=False):
        assert old.read_bytes() == new.path.read_bytes()
    assert recording.damage.startswith("new.part0003.jsonl: repaired: torn: it ends in the middle of line ")
    left = raw[raw.rindex(b'{"k":"on"') : -40]
    assert f"; {len(left) + parts[3].stat().st_size} bytes were left out" in recording.damage


def test_a_missing_part_is_a_cut_in_its_place(parts, tmp_path):
    parts[2].unlink()
    _, recording = repaired(parts[0], tmp_path / "new.jsonl")
    assert len(recording.parts) == 3
    assert recording.damage.startswith("new.part0003.jsonl: repaired: part 3 (day.part0003.jsonl) is missing; ")


def test_nothing_is_left_behind_where_a_later_file_is_there_already(parts, tmp_path):
    parts[2].write_bytes(parts[2].read_bytes()[:-40])
    (tmp_path / "new.part0002.jsonl").write_bytes(b"mine")
    with pytest.raises(JournalError, match=r"new\.part0002\.jsonl: is there already"):
        repair(played(parts[0])[1], tmp_path / "new.jsonl")
    assert not (tmp_path / "new.jsonl").exists()
    assert (tmp_path / "new.part0002.jsonl").read_bytes() == b"mine"


def test_nothing_is_left_behind_where_it_is_interrupted(whole, tmp_path, monkeypatch):
    """The key comes as the file is put on the disk, which takes longest."""

    def interrupted(_):
        raise KeyboardInterrupt

    (tmp_path / "torn.jsonl").write_bytes(whole[:-40])
    recording = played(tmp_path / "torn.jsonl")[1]
    monkeypatch.setattr("replay.repair.os.fsync", interrupted)
    with pytest.raises(KeyboardInterrupt):
        repair(recording, tmp_path / "new.jsonl")
    assert not (tmp_path / "new.jsonl").exists()


def test_a_sealed_line_that_is_no_entry_gives_what_stands_before_it_once(tmp_path):
    """Another program's file: its seals hold, and one of its lines says nothing."""
    import hashlib

    from replay.codec import entry_line, header_line, seal_line

    lines = [header_line(HEADER), entry_line(Tick(1)), b'{"k":"reading","t":2}\n', entry_line(Tick(3))]
    path = tmp_path / "odd.jsonl"
    path.write_bytes(b"".join(lines) + seal_line(3, 4, hashlib.sha256(b"".join(lines))))
    lines, _ = repaired(path, tmp_path / "new.jsonl")
    assert lines == [Tick(1)]
    assert played(path)[1].damage.startswith(
        "damaged: line 3 is no line of a journal: a reading line that is not whole"
    )
