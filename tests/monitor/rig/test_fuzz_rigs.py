"""A short form of tests/bench/fuzz_rigs.py, by another seed; and what it has found."""

from __future__ import annotations

import fuzz_rigs
import pytest

from monitor.rig.load import RigFaults, parse_rig


def test_any_text_is_a_rig_with_its_sheet_or_has_clear_faults():
    outcome = fuzz_rigs.run(250, seed=2)
    assert outcome.wrong == []
    assert outcome.counts["faults"] > 150
    assert outcome.counts["rig"] > 3


@pytest.mark.parametrize(
    "text", ['"\\u001b[2J" = 1', 'version = "\\u0000\\n\\u202e"', "\x00", 'a = "\ufeff', "[[port]]\nname = 'a\u2028b'"]
)
def test_what_would_move_a_terminal_s_cursor_is_written_out(text):
    with pytest.raises(RigFaults) as caught:
        parse_rig(text)
    assert all(line.isprintable() for line in str(caught.value).splitlines())
    assert len(str(caught.value).splitlines()) == len(caught.value.faults)


@pytest.mark.parametrize(
    ("old", "new", "path"),
    [
        ('ring = "0.15 m"', "ring = 1e308", "stack[0].ring (S1)"),  # squared for the ground under a stack: an overflow
        ('noise = "0.5 mm"', 'noise = "1e-200 m"', "channel[4].noise (H1)"),
        ("axis = [1.0, 0.0]", "axis = [nan, 0.0]", "tilt[0].axis (load-x)"),
        ("axis = [1.0, 0.0]", "axis = [1e308, 1e308]", "tilt[0].axis (load-x)"),
    ],
)
def test_a_number_that_cannot_be_reckoned_with_is_a_fault(old, new, path):
    text = next(text for text in fuzz_rigs.RIGS if 'name = "yard-panel"' in text)
    assert old in text
    with pytest.raises(RigFaults) as caught:
        parse_rig(text.replace(old, new, 1))
    assert [fault.path for fault in caught.value.faults] == [path]


def test_what_is_allowed_is_said_in_a_crew_s_words():
    with pytest.raises(RigFaults) as caught:
        parse_rig('version = 1\nload = 5\nstack = ["x"]\n[[height]]\nat = 7\n')
    said = {fault.path: fault.allowed for fault in caught.value.faults}
    assert (said["load"], said["stack[0]"], said["height[0].at"]) == ("a table", "a table", "a list")
