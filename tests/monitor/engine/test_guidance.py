"""Every rule has its guidance, nothing has one that is no rule, and the texts can be read in a hurry."""

from __future__ import annotations

import re

import pytest

from monitor.engine.guidance import GUIDANCE
from monitor.engine.rules import CAUSES, RULES

PENDING = {
    # Rules whose rows are yet to come; a name leaves this set when its row is in the table.
    "lean-ahead", "reach", "uneven", "no-lift", "sinking", "air-short", "crib-limit", "ground-limit", "hung-on-shores",
    "lower-not-freed", "shore-drop", "shore-lifting", "shore-air-high", "not-held", "moved-alone", "unticked", "out-of-step",
}  # fmt: skip
ROWS = {rule.name for rule in RULES}


def test_every_rule_has_one_and_none_is_stale():
    assert ROWS - set(GUIDANCE) == set()
    assert set(GUIDANCE) - ROWS == PENDING - ROWS
    assert {name for names in CAUSES.values() for name in names} <= ROWS | PENDING


@pytest.mark.parametrize("name", GUIDANCE)
def test_it_is_two_or_three_short_sentences(name):
    sentences = re.findall(r"[^.]+\.", GUIDANCE[name])
    assert 2 <= len(sentences) <= 3
    assert GUIDANCE[name].endswith(".")
    assert all(len(it.split()) <= 30 for it in sentences)
    assert not re.search(r"  |\n", GUIDANCE[name])
