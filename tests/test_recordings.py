"""Every recording, judged again: the same alarms at the same times, and the verdict that was written beside it."""

from __future__ import annotations

import hashlib
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
    assert said == verdict(name), "see tests/renew_recordings.py --verdicts, if the engine was changed on purpose"
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


@pytest.mark.timeout(600)  # all of them at once, and every other test may be playing beside it
def test_another_process_says_the_same_of_every_recording_to_the_byte(tmp_path):
    """Every picture's digest and every alarm, as in the process above; texts are hashed otherwise there, which must not matter."""
    firsts = [renew.FOLDER / f"{name}.jsonl" for name in NAMES]
    done = subprocess.run(
        [sys.executable, HERE / "event_log.py", "--into", tmp_path, *firsts],
        env={**os.environ, "PYTHONPATH": str(HERE.parent), "PYTHONHASHSEED": "4711"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    for name in NAMES:
        log = (tmp_path / f"{name}.events").read_bytes()
        assert hashlib.sha256(log).hexdigest() == verdict(name)["events"], name
