"""Every recording, judged again: the same alarms at the same times, and the verdict that was written beside it."""

from __future__ import annotations

import importlib.util
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent
_spec = importlib.util.spec_from_file_location("renew_recordings", HERE / "renew_recordings.py")
assert _spec is not None
assert _spec.loader is not None
renew = importlib.util.module_from_spec(_spec)
sys.modules[_spec.name] = renew  # a dataclass looks its module up
_spec.loader.exec_module(renew)

NAMES = list(renew.RECORDINGS)
HURT = {
    "cut-off": "torn: it ends in the middle of line",
    "edited": "not match the seal",
}
"""Those that something befell, and what is said of it."""


def verdict(name: str) -> dict:
    return json.loads((renew.FOLDER / f"{name}.verdict.json").read_text())


def test_every_file_there_is_a_recording_that_the_page_tells_of():
    firsts = {it.name for it in renew.FOLDER.glob("*.jsonl") if ".part" not in it.name}
    assert firsts == {f"{name}.jsonl" for name in NAMES}
    assert (renew.FOLDER / "README.md").read_text() == renew.page()
    assert len(NAMES) >= 12
    assert max(it.stat().st_size for it in renew.FOLDER.iterdir()) < 700_000
    assert sum(it.stat().st_size for it in renew.FOLDER.iterdir()) < 4_500_000


@pytest.mark.parametrize("name", NAMES)
def test_a_recording_judged_again_says_what_it_said(name):
    said = renew.expected(renew.FOLDER / f"{name}.jsonl")
    assert said == {key: value for key, value in verdict(name).items() if key != "events"}
    if renew.RECORDINGS[name].fills:
        assert said["lost"] > 0
        assert said["late"] > 0
        assert said["same_as_live"] is False, "what the engine heard live is not all in the journal"
    else:
        assert said["same_as_live"] is True
        assert (said["lost"], said["late"]) == (0, 0)
    assert said["complete"] is (name not in HURT)
    assert (said["damage"] or "").find(HURT.get(name, "")) >= 0
    assert (said["damage"] is None) is (name not in HURT)


@pytest.mark.parametrize(
    ("name", "must"),
    [
        (name, it.drill)
        for name, it in renew.RECORDINGS.items()
        if isinstance(it.drill, str) and it.drill and name not in HURT
    ],
)
def test_what_a_drill_is_for_sounds_in_its_recording(name, must):
    """The drill's own list; its sensors were four times as quick there."""
    sounded = {(alarm["rule"], alarm["about"], alarm["priority"]) for alarm in verdict(name)["alarms"]}
    assert sounded >= {(it.rule, it.about, it.priority) for it in renew.scenario.load(must).must}


def test_each_is_told_by_its_alarms():
    """What the page says that a recording proves is what sounds in it."""
    for name, it in renew.RECORDINGS.items():
        sounded = {alarm["rule"] for alarm in verdict(name)["alarms"]}
        named = set(it.proves.split("`")[1::2])
        assert named <= sounded, name
        if "nothing sounds" in it.proves or "nothing else" in it.proves:
            assert sounded == named, name


@pytest.mark.timeout(
    600
)  # all of them twice: half a minute on two free cores, and every other test may be playing beside it
def test_two_processes_say_the_same_of_every_recording_to_the_byte(tmp_path):
    """Every picture's digest and every alarm; what texts are hashed by differs between processes, and must not matter."""
    firsts = [str(renew.FOLDER / f"{name}.jsonl") for name in NAMES]
    runs = [
        subprocess.Popen(
            [sys.executable, str(HERE / "event_log.py"), "--into", str(tmp_path / seed), *firsts],
            env={**os.environ, "PYTHONPATH": str(HERE.parent), "PYTHONHASHSEED": seed},
            stderr=subprocess.PIPE,
            text=True,
        )
        for seed in ("1", "2")
    ]
    assert [run.communicate()[1] for run in runs] == ["", ""]
    for name in NAMES:
        first, second = ((tmp_path / seed / f"{name}.events").read_bytes() for seed in ("1", "2"))
        assert first == second, name
        assert renew.digest(iter([first])) == verdict(name)["events"], f"{name}: the engine says something else now"
