"""Verdicts: what they say, and that an edited recording or a changed engine is told apart."""

import json
import os
import sys
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path

import pytest

from monitor.cli import main
from monitor.debrief.judge import judge, judged
from monitor.drill import scenario
from monitor.drill.offline import play
from monitor.live.keeping import JournalKeeper
from monitor.rig.load import RigFaults, parse_rig

TEXT = files("monitor.drill").joinpath("rigs/yard-panel.toml").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    path = tmp_path_factory.mktemp("judge") / "stuck.jsonl"
    keeper = JournalKeeper(path, TEXT, "yard-panel", lambda *_: None, datetime(2026, 1, 1, tzinfo=UTC))
    drill = scenario.load("stuck-shore")
    so_far = drill.model_copy(update={"move": drill.move[:5]})  # to the alarm: every test here plays it again
    play(parse_rig(TEXT), so_far, keeper=keeper)
    keeper.close()
    return path


def test_the_verdict_has_the_published_keys(recording):
    verdict = judged(recording)
    assert {"file", "rig", "seconds", "samples", "complete", "same_as_live", "alarms", "steps", "peaks", "load"} <= set(
        verdict
    )
    alarm = verdict["alarms"][0]
    assert set(alarm) == {"rule", "about", "priority", "raised", "cleared", "acknowledged", "text", "evidence"}
    assert (alarm["rule"], alarm["about"], alarm["priority"]) == ("shore-behind", "N1", "warning")
    assert alarm["evidence"]["gap_m"] > alarm["evidence"]["limit_m"] == 0.006
    assert set(verdict["steps"][0]) == {"step", "do", "bag", "started", "ended", "ok"}
    assert set(verdict["peaks"]) == {"rise_m", "tilt_rad", "lean", "gap_m", "fall_m"}
    assert verdict["peaks"]["gap_m"]["N1"] == pytest.approx(0.0103, abs=0.001)
    assert verdict["same_as_live"] is True
    assert verdict["samples"] > 4000


def test_judging_twice_is_the_same_to_the_byte(recording):
    assert json.dumps(judged(recording)) == json.dumps(judged(recording))


def test_an_engine_that_says_something_else_is_told(recording, tmp_path):
    """An alarm line taken out, and the seals made anew, so that only the engine's own words can tell."""
    from replay.codec import AlarmLine, Header
    from replay.journal import JournalWriter, read_journal

    journal = read_journal(recording)
    other = JournalWriter(tmp_path / "other.jsonl", Header(TEXT, "yard-panel", "s", "d"), lambda *_: None)
    for line in journal.lines():
        if not isinstance(line, AlarmLine):
            other.write(line)
    other.close()
    verdict = judged(tmp_path / "other.jsonl")
    assert verdict["complete"]
    assert verdict["same_as_live"] is False


def test_an_edited_digit_is_told_and_what_came_before_is_judged(recording, tmp_path):
    text = recording.read_text()
    at = text.index('"c":"H1"', len(text) // 2)
    at = text.index('"v":0.', at) + 6
    edited = tmp_path / "edited.jsonl"
    edited.write_text(text[:at] + ("7" if text[at] != "7" else "3") + text[at + 1 :])
    verdict = judged(edited)
    assert verdict["damage"].startswith("changed: lines")
    assert not verdict["complete"]
    assert 0 < verdict["samples"] < 4000


def test_other_limits_are_judged(recording, tmp_path, capsys):
    limits = tmp_path / "limits.toml"
    limits.write_text('[limits]\nrise_rate = "3 mm/s"\n')
    assert judge([str(recording)], as_json=True, limits=str(limits)) == 0
    verdict = json.loads(capsys.readouterr().out)
    assert "rise-rate" in {a["rule"] for a in verdict["alarms"]}
    assert verdict["same_as_live"] is None
    assert judge([str(recording)], as_json=False, limits=str(limits)) == 0
    assert "judged under other limits than its own" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("x", "TOML"),
        ("a = 1", "[limits]"),
        ('[limits]\nrise_rate = "3"', "such as"),
        ("[limits]\nspeed = 3", "2: limits.speed: found a key that means nothing here; allowed is one of apart"),
        ('[limits]\n\ntilt = "-5 deg"', "3: limits.tilt: found -0.0872665; allowed is a limit above zero"),
        ('[limits]\nrise_rate = "0 mm/s"', "2: limits.rise_rate: found 0; allowed is a limit above zero"),
        ('[limits]\napart = "-1 mm"', "2: limits.apart: found -0.001; allowed is a limit above zero"),
        (
            '[limits]\nweight_margin = "-50 %"',
            "2: limits.weight_margin: found -0.5; allowed is a margin of zero or more",
        ),
        pytest.param("[limits]\ntilt = " + "[" * 3000, "found tables within tables without end", id="deep"),
        pytest.param("[limits]\ntilt = " + "9" * 5000, "found a whole number of thousands of digits", id="long"),
    ],
)
def test_bad_limits_are_a_sentence(recording, tmp_path, capsys, text, says):
    limits = tmp_path / "limits.toml"
    limits.write_text(text)
    assert judge([str(recording)], as_json=True, limits=str(limits)) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert says in said.err


@pytest.mark.parametrize(("priority", "code"), [("danger", 0), ("warning", 1), ("caution", 1), (None, 0)])
def test_fail_on(recording, capsys, priority, code):
    assert judge([str(recording)], as_json=False, fail_on=priority) == code
    said = capsys.readouterr().out
    assert "WARNING shore-behind N1" in said
    assert "the same as it did live" in said


def test_a_file_that_cannot_be_judged_does_not_stop_the_rest(recording, tmp_path, capsys):
    assert judge([str(tmp_path / "none.jsonl"), str(recording)], as_json=True) == 1
    said = capsys.readouterr()
    assert "none.jsonl" in said.err
    assert json.loads(said.out)["rig"] == "yard-panel"


@pytest.mark.skipif(sys.platform == "darwin", reason="file names are UTF-8 there")
def test_a_name_that_is_not_utf_8_is_a_sentence_and_does_not_stop_the_rest(recording, tmp_path, capsys):
    odd, good = Path(os.fsdecode(os.fsencode(tmp_path) + b"/b\xff.jsonl")), tmp_path / "good.jsonl"
    for path in (odd, good):
        path.write_bytes(recording.read_bytes())
    assert judge([str(tmp_path)], as_json=True) == 1
    told = capsys.readouterr()
    assert json.loads(told.out)["file"] == str(good)
    assert told.err.endswith("/b\\xff.jsonl: found a name that is not UTF-8, allowed is any that is; rename it\n")
    assert main(["judge", str(tmp_path), "-o", str(tmp_path / "season.parquet")]) == 1
    assert "2 sessions, 1 judged" in capsys.readouterr().out


def test_a_recording_whose_rig_file_would_be_refused_now_is_played_as_it_was(recording, tmp_path, capsys):
    """A text where a number belongs was made one when it was recorded; a lift that was recorded is never lost by that."""
    from monitor.debrief.export import export
    from monitor.debrief.player import Player
    from monitor.report.facts import Gatherer
    from monitor.report.lifts import read_lift
    from replay.codec import AlarmLine, Header
    from replay.journal import JournalWriter, read_journal

    rig = TEXT.replace("port = 1883", 'port = "1883"', 1)
    with pytest.raises(RigFaults):
        parse_rig(rig)
    journal = read_journal(recording)
    header = Header(rig, "yard-panel", journal.header.software, journal.header.started)
    other = JournalWriter(tmp_path / "other.jsonl", header, lambda *_: None)
    for line in journal.lines():
        if isinstance(line, AlarmLine):
            other.alarm(line.time_ns, line.alarm)
        else:
            other.write(line)
    other.close()
    verdict = judged(tmp_path / "other.jsonl")
    assert verdict | {"file": ""} == judged(recording) | {"file": ""}
    assert verdict["same_as_live"] is True
    for read in (Player, Gatherer, read_lift):
        assert read(tmp_path / "other.jsonl").rig == parse_rig(TEXT)
    assert export(str(tmp_path / "other.jsonl"), str(tmp_path / "other.csv"), (), "invented") == 0
    said = []
    for path in (recording, tmp_path / "other.jsonl"):
        assert main(["journal", str(path), "--print", "--channel", "H1", "--to", "1s"]) == 0
        said.append([line for line in capsys.readouterr().out.splitlines() if "H1" in line])
    assert " mm" in said[0][0]
    assert said[0] == said[1], "in the rig's own units"
