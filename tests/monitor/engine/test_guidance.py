"""Every rule has its guidance, nothing has one that is no rule, and the texts can be read in a hurry."""

from __future__ import annotations

import re

import pytest

from monitor.engine.guidance import GUIDANCE
from monitor.engine.rules import CAUSES, RULES

ROWS = {rule.name for rule in RULES}


def test_every_rule_has_one_and_none_is_stale():
    assert set(GUIDANCE) == ROWS
    assert {name for names in CAUSES.values() for name in names} == ROWS


@pytest.mark.parametrize("name", GUIDANCE)
def test_it_is_two_or_three_short_sentences(name):
    sentences = re.findall(r"[^.]+\.", GUIDANCE[name])
    assert 2 <= len(sentences) <= 3
    assert GUIDANCE[name].endswith(".")
    assert all(len(it.split()) <= 30 for it in sentences)
    assert not re.search(r"  |\n", GUIDANCE[name])
