"""Every recording, judged again: the same alarms at the same times, and the verdict that was written beside it."""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent
RECORDINGS = sorted((HERE.parent / "recordings").glob("*.jsonl"))
_spec = importlib.util.spec_from_file_location("renew_recordings", HERE / "renew_recordings.py")
assert _spec is not None
assert _spec.loader is not None
renew = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(renew)


def test_there_are_recordings():
    assert len(RECORDINGS) >= 2


@pytest.mark.parametrize("path", RECORDINGS, ids=lambda path: path.stem)
def test_a_recording_judged_again_says_what_it_said(path):
    verdict = renew.expected(path)
    assert verdict["same_as_live"] is True
    assert verdict["complete"] is True
    assert verdict == json.loads(path.with_suffix(".verdict.json").read_text())
