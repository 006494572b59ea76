"""What is heard: patterns that are no signal to leave, one alarm after the other, and a command that may fail in any way."""

from __future__ import annotations

import itertools
import shlex
import sys
import threading
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.engine.picture import AlarmState, Priority
from monitor.screens.sound import PATTERNS, REST_S, BadCommand, Command, Sound, words

from ...processes import is_there
from .conftest import alarm

NEW, SEEN, GONE = AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED
DANGER, WARNING, CAUTION, NOTICE = Priority.DANGER, Priority.WARNING, Priority.CAUTION, Priority.NOTICE


def heard(*changes, seconds: float, step: float = 0.1) -> list[float]:
    """When the bell rang: `changes` are (from when, the alarms that stand then)."""
    now, rung = [0.0], []
    sound = Sound(lambda: rung.append(now[0]))
    for i in range(round(seconds / step)):
        now[0] = round(i * step, 3)
        standing = next(alarms for since, alarms in reversed(changes) if since <= now[0])
        assert sound.hear(standing, now[0]) == ""
    return rung


def test_each_priority_has_its_own_pattern():
    assert heard((0, [alarm("lean", DANGER)]), seconds=4.1) == [0.0, 0.4, 2.0, 2.4, 4.0]
    assert heard((0, [alarm("lean", WARNING)]), seconds=6.1) == [0.0, 3.0, 6.0]
    assert heard((0, [alarm("lean", CAUTION)]), seconds=20.1) == [0.0, 20.0]
    assert heard((0, [alarm("lean", NOTICE)]), seconds=30) == []
    assert len({(it.strokes, it.every_s) for it in PATTERNS.values()}) == len(PATTERNS)


def test_it_goes_on_until_it_is_acknowledged():
    assert heard((0, [alarm("lean", WARNING)]), (4, [alarm("lean", WARNING, SEEN)]), seconds=30) == [0.0, 3.0]


def test_silence_for_one_alarm_never_silences_another_nor_the_next():
    """UFGS 13703N, p. 57 (public domain): silencing one alarm must not mute those that come later."""
    lean, slip = alarm("lean", DANGER), alarm("slip", DANGER)
    seen = replace(lean, state=SEEN)
    assert heard((0, [lean, slip]), (1, [seen, slip]), seconds=3) == [0.0, 0.4, 2.0, 2.4]
    assert heard((0, [lean]), (1, [seen]), (7, [seen, slip]), seconds=8) == [0.0, 0.4, 7.0, 7.4]


def test_one_under_a_graver_one_is_heard_as_soon_as_that_is_seen():
    danger, caution = alarm("lean", DANGER), alarm("tilt", CAUTION)
    rung = heard((0, [danger, caution]), (4.6, [replace(danger, state=SEEN), caution]), seconds=9)
    assert rung == [0.0, 0.4, 2.0, 2.4, 4.0, 4.4, 6.0]


def test_a_graver_one_goes_before_and_a_new_one_of_a_slow_pattern_does_not_wait_for_it():
    caution, danger = alarm("lean", CAUTION), alarm("slip", DANGER)
    assert heard((0, [caution]), (5, [caution, danger]), seconds=6) == [0.0, 5.0, 5.4]
    assert heard((0, [caution]), (5, [caution, alarm("tilt", CAUTION)]), seconds=10) == [0.0, 5.0]


def test_one_that_came_and_went_between_two_pictures_sounds_one_group():
    assert heard((0, []), (1, [alarm("lean", DANGER, GONE)]), seconds=9) == [1.0, 1.4]


def test_one_that_went_unseen_after_it_sounded_is_silent_and_sounds_when_it_comes_again():
    up, gone = alarm("lean", DANGER), alarm("lean", DANGER, GONE)
    assert heard((0, [up]), (1, [gone]), (6, [replace(up, raised_ns=9)]), seconds=7) == [0.0, 0.4, 6.0, 6.4]


STANDING = st.lists(
    st.builds(
        lambda rule, priority, state, raised: replace(alarm(rule, priority, state), raised_ns=raised),
        st.sampled_from("abc"),
        st.sampled_from(list(Priority)),
        st.sampled_from([NEW, SEEN, GONE]),
        st.integers(0, 3),
    ),
    max_size=4,
)


def strokes(times: list[float]) -> list[int]:
    """How many strokes each group has: a second without one ends a group."""
    groups = [1] if times else []
    for before, after in itertools.pairwise(times):
        if after - before < 1.0:
            groups[-1] += 1
        else:
            groups.append(1)
    return groups


@given(st.lists(st.tuples(st.floats(0.01, 3.0), STANDING), min_size=1, max_size=60))
def test_whatever_comes_and_goes_no_group_has_three_strokes(steps):
    """FEMA US&R, INSARAG and ISO 8201 say "leave" with three, as checked from memory; no group here may be taken for it."""
    now, rung = [0.0], []
    sound = Sound(lambda: rung.append(now[0]))
    for wait, alarms in steps:
        now[0] += wait
        sound.hear(alarms, now[0])
    assert max(strokes(rung), default=0) <= 2


@given(st.lists(STANDING, max_size=40), STANDING)
def test_an_alarm_that_nobody_has_seen_is_heard_whatever_was_before(before, after):
    now, rung = [0.0], []
    sound = Sound(lambda: rung.append(now[0]))
    for alarms in before:
        now[0] += 0.1
        sound.hear(alarms, now[0])
    waits = [it.priority for it in after if it.state is NEW and it.priority in PATTERNS]
    rung.clear()
    soon = REST_S + PATTERNS[max(waits)].every_s if waits else 0.0
    for _ in range(int(soon / 0.1) + 2):
        now[0] += 0.1
        sound.hear(after, now[0])
    assert bool(rung) >= bool(waits)


def program(tmp_path, text: str) -> str:
    """A command line that runs these lines of Python. `OUT` in them is the folder they may write to."""
    file = tmp_path / "horn.py"
    file.write_text(f"import os, sys, time\nOUT = {str(tmp_path)!r}\n{text}\n")
    return f"{shlex.quote(sys.executable)} {shlex.quote(str(file))}"


@pytest.fixture
def command():
    made = []

    def make(line: str, **more) -> Command:
        made.append(Command(line, **more))
        return made[-1]

    yield make
    for it in made:
        it.close()


TELL = """import json
open(OUT + '/new', 'w').write(json.dumps([sys.argv[1:], dict(os.environ)]))
os.rename(OUT + '/new', OUT + '/told')"""


def test_the_command_is_told_what_sounds_and_no_shell_reads_it(tmp_path, command, wait_until):
    import json

    text = "DANGER  lean S1; touch $(echo x) {rule} `id` 'quoted'"
    horn = command(program(tmp_path, TELL) + " --say '{priority} {rule}' {about} {text} {other} {")
    horn.play(alarm("lean", DANGER, text=text))
    wait_until((tmp_path / "told").exists, what="the command")
    arguments, environment = json.loads((tmp_path / "told").read_text())
    assert arguments == ["--say", "danger lean", "S1", text, "{other}", "{"]
    names = ("PRIORITY", "RULE", "ABOUT", "TEXT")
    assert [environment[f"INCHWATCH_{name}"] for name in names] == ["danger", "lean", "S1", text]
    assert sorted(it.name for it in tmp_path.iterdir()) == ["horn.py", "told"]
    assert horn.trouble == ""


def test_what_no_program_can_be_given_is_heard_all_the_same(tmp_path, command, wait_until):
    """An alarm may come over the network, with signs in it that no system hands to a program."""
    horn = command(program(tmp_path, TELL) + " {text}")
    horn.play(replace(alarm("lean", Priority.DANGER), text="DANGER  a\0b\x1b[2J"))
    wait_until((tmp_path / "told").exists, what="the command")
    assert "a b [2J" in (tmp_path / "told").read_text()


def test_a_command_that_fails_is_a_sentence_until_it_does_not(tmp_path, command, wait_until):
    horn = command(program(tmp_path, "sys.exit(0 if os.path.exists(OUT + '/mended') else 3)"))
    horn.play(alarm("lean", DANGER))
    wait_until(lambda: horn.trouble, what="the trouble")
    assert horn.trouble == f"sound: '{Path(sys.executable).name}' failed with exit code 3; the bell goes on"
    (tmp_path / "mended").touch()
    wait_until(lambda: horn.play(alarm("lean", DANGER)) or not horn.trouble, what="the mending")


def test_a_command_that_hangs_is_ended_with_what_it_started(tmp_path, command, wait_until):
    hang = "print(os.posix_spawnp('sleep', ['sleep', '600'], os.environ), file=open(OUT + '/child', 'w'), flush=True)"
    horn = command(program(tmp_path, f"{hang}\ntime.sleep(600)"), hangs_s=2.0)
    horn.play(alarm("lean", DANGER))
    wait_until(lambda: horn.trouble, what="the end")
    assert horn.trouble.endswith("did not end within 2 s and was ended; the bell goes on")
    wait_until(lambda: not is_there(int((tmp_path / "child").read_text())), what="the child's end")


def test_one_at_a_time_and_a_graver_one_takes_its_place(tmp_path, command, wait_until):
    line = "open(OUT + '/' + sys.argv[1] + str(os.getpid()), 'w').close()\ntime.sleep(600)"
    horn = command(program(tmp_path, line) + " {priority}-")

    def begun(priority: str) -> list[int]:
        return [int(it.name.partition("-")[2]) for it in tmp_path.glob(f"{priority}-*")]

    horn.play(alarm("lean", WARNING))
    wait_until(lambda: begun("warning"), what="the first")
    for _ in range(5):
        horn.play(alarm("tilt", WARNING))
        horn.play(alarm("tilt", CAUTION))
    horn.play(alarm("slip", DANGER))
    wait_until(lambda: begun("danger"), what="the graver one")
    assert len(begun("warning")) == 1
    assert not begun("caution")
    assert not is_there(begun("warning")[0])
    horn.close()
    wait_until(lambda: not is_there(begun("danger")[0]), what="the end")
    horn.play(alarm("lean", DANGER))
    assert len(begun("danger")) == 1


def test_a_screen_never_waits_for_a_command(tmp_path, command, monkeypatch):
    """Starting a program may take as long as it likes: here until the test lets it go."""
    go, began = threading.Event(), threading.Event()
    import subprocess

    real = subprocess.Popen

    def slow(*args, **more):
        began.set()
        assert go.wait(10.0)
        return real(*args, **more)

    monkeypatch.setattr("monitor.screens.sound.subprocess.Popen", slow)
    horn = command(program(tmp_path, ""))
    horn.play(alarm("lean", DANGER))
    assert began.wait(10.0)
    for _ in range(100):
        horn.play(alarm("lean", DANGER))
    go.set()


@pytest.mark.parametrize("line", ["", "  ", "'open", "''", "a \0"])
def test_what_is_no_command_line_is_refused(line):
    with pytest.raises(BadCommand, match="allowed is a program with its arguments"):
        words(line)


def test_the_call_is_refused_in_a_sentence(typed):
    ended = typed("demo", "--sound", "'open")
    assert ended.code == 2
    assert 'inchwatch: error: --sound: found "\'open" (no closing quotation); allowed is a program' in ended.err
    assert typed("demo", "--headless", "--sound", "aplay horn.wav").code == 2


def test_with_no_bell_a_command_that_sounds_is_enough(tmp_path, wait_until):
    rung = []
    sound = Sound(lambda: rung.append(True), bell=False, command=program(tmp_path, TELL))
    try:
        assert sound.hear([alarm("lean", DANGER)], 0.0) == ""
        wait_until((tmp_path / "told").exists, what="the command")
        sound.hear([alarm("lean", DANGER)], 0.4)
        assert not rung
    finally:
        sound.close()
