"""A session that was kept in parts is judged as the one that was not: every alarm, every number, to the bit."""

import json
from pathlib import Path

import orjson
import pytest

from monitor import encode
from monitor.debrief.judge import judge, judged
from monitor.engine.engine import Engine
from monitor.rig.load import parse_rig
from replay.codec import AlarmLine, Header
from replay.journal import JournalWriter, read_journal
from replay.recording import read_recording
from replay.writer import Split

RECORDING = Path(__file__).resolve().parents[3] / "recordings" / "stuck-shore.jsonl"


@pytest.fixture(scope="module")
def parts(tmp_path_factory):
    """The recording of a drill, kept again in files of 25 kB."""
    path = tmp_path_factory.mktemp("parts") / "stuck-shore.jsonl"
    journal = read_journal(RECORDING)
    whole = journal.header
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("replay.place.WRITE_EVERY_S", 60.0)
        header = Header(whole.rig, whole.rig_name, whole.software, whole.started, "0123456789abcdef")
        writer = JournalWriter(path, header, pytest.fail, split=Split(25_000))
        for i, line in enumerate(journal.lines()):
            if isinstance(line, AlarmLine):
                writer.alarm(line.time_ns, line.alarm)
            else:
                writer.write(line)
            if i % 20 == 0:
                writer._places[0]._write_out()
        writer.close()
    return sorted(path.parent.iterdir())


def events(lines, rig) -> tuple[list[str], list[bytes]]:
    """Every alarm transition that the engine says, and every picture, to the bit; and those said live."""
    engine, said, pictures = Engine(parse_rig(rig)), [], []
    for line in lines:
        if isinstance(line, AlarmLine):
            said.append(json.dumps(line.alarm))
        elif (picture := engine.feed(line)) is not None:
            said += [json.dumps(encode.transition(it)) for it in picture.transitions]
            pictures.append(orjson.dumps(encode.picture(picture)))
    return said, pictures


def test_the_event_log_of_a_split_session_is_that_of_the_unsplit_one_and_so_is_every_picture(parts):
    assert len(parts) == 11
    whole, split = read_journal(RECORDING), read_recording(parts[0])
    said, pictures = events(split.lines(), split.header.rig)
    assert len(said) == 4
    assert len(pictures) > 500
    assert (said, pictures) == events(whole.lines(), whole.header.rig)


def test_and_so_is_its_verdict(parts, capsys):
    whole = judged(RECORDING)
    assert judge([str(parts[0].parent)], as_json=True) == 0
    split = json.loads(capsys.readouterr().out)
    assert (split.pop("file"), split.pop("parts")) == (str(parts[0]), len(parts))
    del whole["file"], whole["parts"]
    assert split == json.loads(json.dumps(whole))
    assert split["same_as_live"]
    assert split["complete"]


def test_a_missing_part_is_a_sentence_and_what_comes_before_is_judged(parts, tmp_path, capsys):
    for it in (*parts[:2], *parts[3:]):
        (tmp_path / it.name).write_bytes(it.read_bytes())
    assert judge([str(tmp_path / parts[0].name)], as_json=False) == 0
    said = capsys.readouterr().out
    assert "part 3 (stuck-shore.part0003.jsonl) is missing; not played: stuck-shore.part0004.jsonl" in said
