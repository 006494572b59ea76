"""`inchwatch journal`: what it says and prints of a recording, and its exit codes."""

from __future__ import annotations

from pathlib import Path

import orjson
import pytest

from monitor.cli import main
from replay.codec import AlarmLine, alarm_line, entry_line
from replay.recording import read_recording

RECORDING = Path(__file__).resolve().parents[3] / "recordings" / "wrong-order.jsonl"


@pytest.fixture
def torn(tmp_path) -> Path:
    """The first seconds of a recording, cut off in a line."""
    path = tmp_path / "torn.jsonl"
    raw = b"".join(RECORDING.read_bytes().splitlines(keepends=True)[:420])
    path.write_bytes(raw[:-9])
    return path


def test_a_whole_one(capsys):
    assert main(["journal", str(RECORDING), "--json"]) == 0
    found = orjson.loads(capsys.readouterr().out)
    assert found["complete"] is True
    assert found["damage"] is None
    lines = list(read_recording(RECORDING).lines())
    assert sum(found["entries"].values()) == len(lines)
    assert sum(found["channels"].values()) == found["entries"]["reading"] > 1000
    assert any("bag-order" in rule for rule in found["alarms"])
    [part] = found["parts"]
    assert part["sealed_bytes"] == part["bytes"] == RECORDING.stat().st_size
    assert part["sealed_lines"] == RECORDING.read_bytes().count(b"\n")
    assert main(["journal", str(RECORDING)]) == 0
    said = capsys.readouterr().out
    assert "whole: every seal holds, and it was closed in order" in said
    assert f"{part['seals']} seals hold" in said


def test_a_torn_one_says_where_and_is_repaired(torn, tmp_path, capsys):
    assert main(["journal", str(torn), "--json"]) == 1
    fault = orjson.loads(capsys.readouterr().out)["parts"][0]["fault"]
    assert fault["line"] == 420
    assert torn.read_bytes()[fault["byte"] - 1 :][:2] == b"\n{"
    assert fault["unplayed_bytes"] == torn.stat().st_size - fault["byte"]
    new = str(tmp_path / "new.jsonl")
    assert main(["journal", str(torn), "--repair", new]) == 0
    assert "repaired: torn: it ends in the middle of line 420" in capsys.readouterr().out
    assert main(["journal", new]) == 1, "it is sound, and not all of the session"
    assert "repaired: torn" in capsys.readouterr().out
    assert main(["journal", str(torn), "--repair", new]) == 2
    assert "never" not in (said := capsys.readouterr().err)
    assert "is there already, and nothing is written over" in said
    assert main(["judge", new, "--json"]) == 0
    verdict = orjson.loads(capsys.readouterr().out)
    assert verdict["complete"] is False
    assert verdict["same_as_live"] is True
    assert verdict["damage"].startswith("repaired: ")


def test_printed_as_kept_it_is_the_recording(capsys):
    assert main(["journal", str(RECORDING), "--print", "--json"]) == 0
    printed = capsys.readouterr().out.encode().splitlines(keepends=True)
    lines = read_recording(RECORDING).lines()
    assert printed == [alarm_line(it) if isinstance(it, AlarmLine) else entry_line(it) for it in lines]
    kept = set(RECORDING.read_bytes().splitlines(keepends=True))
    assert kept.issuperset(printed)


def test_filters(capsys):
    call = ["journal", str(RECORDING), "--print", "--json", "--channel", "H1", "--from", "2", "--to", "3s"]
    assert main(call) == 0
    found = [orjson.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert len(found) > 5
    assert {it["c"] for it in found} == {"H1"}
    assert all(2_000_000_000 <= it["t"] <= 3_000_000_000 for it in found)
    assert main(["journal", str(RECORDING), "--print", "--kind", "alarm", "--kind", "action"]) == 0
    said = capsys.readouterr().out.splitlines()
    assert {line.split()[2] for line in said} == {"alarm", "action"}
    assert any("zero by automatic" in line for line in said)
    assert main([*call[:3], "--channel", "H1", "--to", "0.5"]) == 0
    assert " m" in capsys.readouterr().out.splitlines()[0], "a length, in the rig's own unit"


@pytest.mark.parametrize(
    ("more", "code", "says"),
    [
        (["--kind", "alarm"], 2, "say what --print prints"),
        (["--repair", "x.jsonl", "--print"], 2, "--repair writes a file"),
        (["--print", "--from", "5 kg"], 2, "--from: found '5 kg', allowed is "),
    ],
)
def test_a_wrong_call_is_a_sentence(more, code, says, capsys):
    assert main(["journal", str(RECORDING), *more]) == code
    assert says in capsys.readouterr().err


def test_no_recording_is_a_sentence(tmp_path, capsys):
    assert main(["journal", str(tmp_path / "nothing.jsonl")]) == 1
    assert capsys.readouterr().err == f"inchwatch journal: {tmp_path / 'nothing.jsonl'}: No such file or directory\n"


def test_a_channel_of_which_there_is_nothing_is_said(torn, capsys):
    call = ["journal", str(torn), "--print", "--channel"]
    assert main([*call, "H1", "--channel", "H-1"]) == 1
    said = capsys.readouterr()
    assert "--channel H-1: nothing in it is of that name" in said.err
    assert "--channel H1" not in said.err
    assert main([*call, "H1", "--to", "0"]) == 1, "there are some, and later"
    assert "--channel" not in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--from", "9s", "--to", "1s"], "--to: found '1s', allowed is a time not before --from 9s"),
        (["--kind", "tick", "--channel", "H1"], "--channel is of readings and notices"),
    ],
)
def test_what_could_only_print_nothing_is_a_wrong_call(torn, words, told, capsys):
    assert main(["journal", str(torn), "--print", *words]) == 2
    assert told in capsys.readouterr().err
