"""The alarm manual is what the table says, and says all of it. That alarms keep the evidence it names, test_drills.py shows."""

from __future__ import annotations

import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

from monitor import manual
from monitor.engine.rules import RULES

KEPT = Path(manual.__file__).with_name("ALARMS.md")


def test_the_file_is_what_is_generated():
    assert KEPT.read_text(encoding="utf-8") == manual.text(), "python -m monitor.manual > monitor/ALARMS.md"


def test_it_is_printed():
    ran = subprocess.run([sys.executable, "-m", "monitor.manual"], capture_output=True, check=True, timeout=60)
    assert ran.stdout.decode() == manual.text()
    assert ran.stderr == b""


def test_every_row_is_in_it():
    text = manual.text()
    for rule in RULES:
        chapter = text[text.index(f"\n## {rule.name}\n") :]
        row = re.search(rf"^\| {rule.priority.word} \|.*$", chapter, re.MULTILINE)
        assert row is not None
        assert f"| {100 * rule.set_at:g} % | {100 * rule.clear_at:g} % | {rule.on_s:g} s | {rule.off_s:g} s |" in row[0]
        assert row[0].endswith(f"| {rule.do} |")
        assert ("| yes |" in row[0]) is rule.latch
        assert " ".join(rule.guidance.split()) in " ".join(chapter.split())
    assert [line for line in text.splitlines() if "…" in line or "None" in line] == []


def test_a_change_of_a_row_changes_it():
    other = (replace(RULES[0], again_s=7.0, group="mine", root_of="yours"), *RULES[1:])
    text = manual.text(other)
    assert "| 7 s |" in text
    assert "Group: mine, root of yours." in text


def test_every_row_keeps_evidence():
    assert [rule.name for rule in RULES if not manual.evidence_of(rule)] == []
