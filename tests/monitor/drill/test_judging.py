"""A drill judged: exactly what must sound, in time, and nothing besides; and drill files that cannot be, in one sentence."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor import cli
from monitor.drill import scenario
from monitor.drill.judging import in_words, judgement, known_rules
from monitor.drill.scenario import DrillError, Scenario
from monitor.engine.rules import RULES

QUIET = [{"do": "wait", "seconds": "1 s", "called": "it happens"}]


def drill(*must: dict, **more) -> Scenario:
    return Scenario.model_validate(
        {"name": "x", "title": "x", "story": "x", "must": list(must), "move": QUIET} | more, strict=False
    )


def must(rule="lean", about="S1", priority="danger", **more) -> dict:
    return {"rule": rule, "about": about, "priority": priority, **more}


def alarm(raised: float, rule="lean", about="S1", priority="danger") -> dict:
    return {"rule": rule, "about": about, "priority": priority, "raised": raised, "text": f"{rule} {about}"}


def well(it: Scenario, *alarms: dict, began=None) -> bool:
    return judgement(it, alarms, {"it happens": 10.0} if began is None else began).well


def test_what_must_sound_and_does_is_well_and_silence_is_not():
    assert well(drill(must()), alarm(3.0))
    assert not well(drill(must()))
    assert not well(drill(must()), alarm(3.0, about="S2"))
    assert not well(drill(must()), alarm(3.0, priority="caution"))
    assert well(drill())


def test_late_is_not_well():
    it = drill(must(by="4 s"))
    assert well(it, alarm(4.0))
    late = judgement(it, [alarm(4.1)], {})
    assert not late.well
    assert (late.heard[0].late, late.heard[0].at_s, late.heard[0].latest_s) == (True, 4.1, 4.0)
    assert "LATE" in in_words(it, late)


def test_after_a_named_move_counts_from_its_beginning_and_before_it_is_too_early():
    it = drill(must(by="4 s", after="it happens"))
    assert well(it, alarm(14.0))
    assert not well(it, alarm(14.1))
    early = judgement(it, [alarm(9.9), alarm(12.0)], {"it happens": 10.0})
    assert early.heard[0].well
    assert [a["raised"] for a in early.besides] == [9.9]
    assert not early.well
    assert not well(it, alarm(12.0), began={}), "a move that was never come to"


def test_only_warning_and_danger_are_too_much_unless_the_drill_names_rules():
    assert well(drill(), alarm(1.0, priority="caution"))
    assert not well(drill(), alarm(1.0, priority="warning"))
    named = drill(must_not=["tilt"])
    assert well(named, alarm(1.0, priority="danger"))
    assert not well(named, alarm(1.0, rule="tilt", priority="caution"))


@given(st.lists(st.tuples(st.floats(0, 60), st.sampled_from(["lean", "tilt", "slip"]), st.sampled_from(["A", "B"]))))
def test_every_grave_alarm_is_either_asked_for_or_too_much(sounded):
    alarms = [alarm(at, rule, about) for at, rule, about in sounded]
    outcome = judgement(drill(must("lean", "A"), must("tilt", "B", by="30 s")), alarms, {})
    asked = [a for a in alarms if (a["rule"], a["about"]) in {("lean", "A"), ("tilt", "B")}]
    assert len(asked) + len(outcome.besides) == len(alarms)
    first = [min((a["raised"] for a in asked if a["rule"] == rule), default=None) for rule in ("lean", "tilt")]
    # The engine tells alarms in the order they were raised; whatever the order, an answer is one of them.
    assert [h.at_s is None for h in outcome.heard] == [at is None for at in first]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("name = 'x'\ntitle = 'x'\nstory = 'x'\n", "x.toml: move: found nothing; a value may not be left out"),
        ("name = ''\ntitle = 'x'\nstory = 'x'\nmove = [{ do = 'wait', seconds = 1 }]\n", "name: found ''; allowed is"),
        ("{head}rig = 'barn'\n{move}", "rig: found 'barn'; allowed is one of block-on-cribs, "),
        ("{head}{move}colour = 'red'\n", "found a key that means nothing here; allowed is one of called, do, bag"),
        ("{head}[[must]]\nrule = 'lean'\nabout = 'S1'\npriority = 'grave'\n{move}", "must[0].priority: found 'grave'; all"),
        ("{head}[[must]]\nrule = 'lean'\nabout = 'S1'\npriority = 'danger'\nby = '3 bar'\n{move}", "must[0].by: found '3 bar'"),
        ("{head}[[must]]\nrule = 'lean'\nabout = 'S1'\npriority = 'danger'\nafter = 'tea'\n{move}",
         "must[0].after: found 'tea'; allowed is what a move is called: none"),
        ("{head}{move}called = 'a'\n{move}called = 'a'\n", "move[0].called: found 'a' a second time; allowed is a name"),
        ("{head}[[move]]\ndo = 'dance'\n", "move[0].do: found 'dance'; allowed is 'wait', 'fill'"),
        ("{head}[[clock]]\nport = 'bench'\nskew = 2.0\n{move}", "clock[0].skew: found 2.0; allowed is"),
    ],
)  # fmt: skip
def test_a_fault_in_a_drill_file_is_one_sentence_with_its_key(tmp_path, text, says):
    head, move = "name = 'x'\ntitle = 'x'\nstory = 'x'\n", "[[move]]\ndo = 'wait'\nseconds = 1\n"
    (path := tmp_path / "x.toml").write_text(text.replace("{head}", head).replace("{move}", move))
    with pytest.raises(DrillError) as caught:
        scenario.load(str(path))
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("it", "says"),
    [
        (drill(must(rule="leen")), r"must\[0\].rule: found 'leen'; allowed is one of stop-called, lean, "),
        (drill(must(priority="warning")), "priority: found 'warning'; allowed for lean is danger or caution"),
        (drill(must_not=["lean", "leen"]), r"must_not\[1\]: found 'leen'"),
    ],
)
def test_a_rule_that_the_monitor_does_not_have_is_a_sentence(it, says):
    with pytest.raises(DrillError, match=says):
        known_rules(it)


def test_every_drill_names_rules_that_there_are_and_keeps_to_the_strict_reading():
    for name in scenario.names():
        it = scenario.load(name)
        known_rules(it)
        assert it.must_not == "other", name


def test_between_them_the_drills_ask_for_most_rules():
    asked = {(m.rule, m.priority) for name in scenario.names() for m in scenario.load(name).must}
    assert len(scenario.names()) >= 30
    for key in ("lean", "slip", "hinge-shift", "over-centre", "tilt", "bag-pressure", "bag-order", "shore-behind"):
        assert (key, "danger") in asked, key
    assert asked <= {(rule.name, rule.priority.word) for rule in RULES}


def test_judge_on_the_command_line(capsys, tmp_path):
    assert cli.main(["drill", "wrong-order", "--judge", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert (said["drill"], said["rig"], said["ok"], said["besides"]) == ("wrong-order", "yard-panel", True, [])
    assert said["must"][0] | {"sounded": 0.0} == {
        "rule": "bag-order", "about": "S1-lower", "priority": "danger", "sounded": 0.0, "latest": 9.0, "late": False,
        "ok": True,
    }  # fmt: skip
    assert 5.0 < said["must"][0]["sounded"] < 9.0

    text = (
        "name = 'bad'\ntitle = 'Silent, though it may not be'\nstory = 'x'\n[[must]]\nrule = 'lean'\nabout = 'S1'\n"
        "priority = 'danger'\n[[move]]\ndo = 'wait'\nseconds = '5 s'\n[[move]]\ndo = 'fill'\nbag = 'S1-lower'\n"
        "opening = 0.5\nseconds = '4 s'\n"
    )
    (path := tmp_path / "bad.toml").write_text(text)
    assert cli.main(["drill", str(path), "--judge"]) == 1
    out = capsys.readouterr().out
    assert "DID NOT SOUND lean S1, danger" in " ".join(out.split())
    assert "TOO MUCH" in out
    assert out.rstrip().endswith("verdict: not as it must be")


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (["--judge", "--once"], "--judge opens no port"),
        (["--judge", "--speed", "2"], "--judge opens no port"),
    ],
)
def test_judge_opens_no_port(args, says, capsys):
    with pytest.raises(SystemExit) as ended:
        cli.main(["drill", "clean", *args])
    assert ended.value.code == 2
    assert says in capsys.readouterr().err


def test_the_list_fits_eighty_columns_and_names_every_drill_once(capsys):
    assert cli.main(["drill", "--list"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= 80
    assert not any(line.endswith("…") for line in lines), "a title is cut off"
    assert sorted(line.split()[0] for line in lines if line.startswith("  ")) == scenario.names()
    assert cli.main(["drill", "--list", "--json"]) == 0
    assert sorted(it["name"] for it in json.loads(capsys.readouterr().out)) == scenario.names()
