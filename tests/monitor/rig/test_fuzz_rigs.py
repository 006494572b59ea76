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


def test_what_is_allowed_is_said_in_a_crew_s_words():
    with pytest.raises(RigFaults) as caught:
        parse_rig('version = 1\nload = 5\nstack = ["x"]\n[[height]]\nat = 7\n')
    said = {fault.path: fault.allowed for fault in caught.value.faults}
    assert (said["load"], said["stack[0]"], said["height[0].at"]) == ("a table", "a table", "a list")
