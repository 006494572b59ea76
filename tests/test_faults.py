"""The fault matrix is what rows and tests say; a test that holds too little of its row against what it found fails."""

from __future__ import annotations

import subprocess
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

from . import faults
from .screen import Shown

KEPT = Path(__file__).resolve().parent.parent / "monitor" / "FAULTS.md"


def test_the_document_is_what_is_generated():
    assert KEPT.read_text(encoding="utf-8") == faults.text(), "python tests/faults.py > monitor/FAULTS.md"


def test_it_is_printed():
    ran = subprocess.run([sys.executable, faults.__file__], capture_output=True, check=True, timeout=60)
    assert (ran.stdout.decode(), ran.stderr) == (faults.text(), b"")


def test_every_row_has_its_test_and_every_marked_test_its_row():
    ids = [row.id for row in faults.rows()]
    assert [it for it, count in Counter(ids).items() if count > 1] == []
    assert set(faults.marked()) == set(ids)


ROW = faults.Row("x", "Wires", "a cable is pulled", "alarm", "lost… (b)", "that one line", 2.0, "link-lost")


def test_words_are_found_in_one_line_and_an_ellipsis_stands_for_anything():
    assert ROW.said_in("before\nit is lost: no such device (b), it says")
    assert not ROW.said_in("lost:\n(b)")
    assert not replace(ROW, says="lost. (b)").said_in("lost: (b)")


def test_a_row_whose_words_time_or_loss_are_not_held_against_anything_is_not_shown():
    it = Shown(ROW)
    with pytest.raises(AssertionError, match=r"\['lost', 'says', 'within'\]"):
        it.checked()
    it.lost([1, 2, 3], [1, 3], befell=[2])
    with pytest.raises(AssertionError, match=r"\['says', 'within'\]"):
        it.checked()
    it.told([{"rule": "link-lost", "text": "lost it (b)", "raised": 3.9}], since_s=2.0)
    it.checked()


@pytest.mark.parametrize(
    ("sent", "had", "befell", "old", "lost"),
    [
        ([1, 2], [1, 3], [2], [], "that one line"),  # what nobody sent
        ([1, 2, 3], [1], [2], [], "that one line"),  # more than it says
        ([1, 2], [1, 2], [2], [], "that one line"),  # less
        ([1, 2], [1], [2], [2], "nothing"),  # marked, and not said to be
        ([1, 2], [1], [2], [], "nothing: what waited is kept, marked old"),
        ([1, 2, 3], [1], [2, 3], [2], "nothing: it is kept, marked, not computed with"),
        ([1, 2, 3], [1], [2, 3], [3], "what is said meanwhile"),
        ([], [], [], [], "nothing"),
    ],
)
def test_another_loss_than_the_row_s_is_seen(sent, had, befell, old, lost):
    with pytest.raises(AssertionError):
        Shown(replace(ROW, lost=lost)).lost(sent, had, befell=befell, old=old)


def test_words_that_come_too_late_and_other_words_are_seen():
    for rule, text, seconds in (
        ("link-lost", "lost (b)", 2.1),
        ("recorder", "lost (b)", 0.1),
        ("link-lost", "up (b)", 0.1),
    ):
        with pytest.raises(AssertionError):
            Shown(ROW).told([{"rule": rule, "text": text, "raised": seconds}])
    with pytest.raises(AssertionError):
        Shown(replace(ROW, lost="at most the last 0.25 s")).lost_s(0.3)
