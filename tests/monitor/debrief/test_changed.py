"""A recording cut off anywhere and changed in any digits is played or refused with sentences by all that reads one in whole.

Its seals would end it before what was changed; without them, as after a loss of power, what was changed is played.
"""

from __future__ import annotations

import re
from pathlib import Path

from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st

from monitor.cli import main
from monitor.debrief.judge import judged
from monitor.report.facts import gather
from monitor.report.page import page
from monitor.rig.load import RigFaults
from replay.journal import JournalError

RECORDING = Path(__file__).resolve().parents[3] / "recordings" / "two-stacks.jsonl"
WHOLE = RECORDING.read_bytes()
UNSEALED = re.sub(rb'\{"k":"(seal|end)"[^\n]*\n', b"", WHOLE)
HEAD = WHOLE.index(b"\n")
MOST = 80_000
"""Bytes that are kept at most: some eight seconds of the lift, and a third of a second for each who reads them."""
DIGITS = [it.start() for it in re.finditer(rb"[0-9]", UNSEALED[:MOST])]
PLACES = st.sampled_from(DIGITS) | st.sampled_from([at for at in DIGITS if at > HEAD])
SIZES = st.integers(0, MOST) | st.integers(0, MOST - HEAD).map(lambda less: MOST - less)
"""Both the shortest and the longest are simple."""


@st.composite
def changed(draw) -> bytes:
    made = bytearray((WHOLE if draw(st.booleans()) else UNSEALED)[: draw(SIZES)])
    for at, digit in draw(st.lists(st.tuples(PLACES, st.sampled_from(b"0123456789")), max_size=6)):
        if at < len(made) and chr(made[at]).isdigit():
            made[at] = digit
    return bytes(made)


def tried(read, path: Path) -> str:
    """Reads it; what it was refused with, "" where it was played."""
    try:
        read(path)
    except (JournalError, RigFaults) as error:
        assert str(error)
        return str(error)
    return ""


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(made=changed())
def test_it_is_played_or_refused(made, tmp_path, capsys):
    path = tmp_path / "changed.jsonl"
    path.write_bytes(made)
    verdict: dict[str, object] = {}
    refused = tried(lambda it: verdict.update(judged(it)), path)
    assert tried(lambda it: page(gather(it)), path) == refused, "judge and report agree"
    code = main(["journal", str(path)])
    said = capsys.readouterr()
    assert code == 1, "none of them is whole"
    if refused and "rig file" not in refused:
        assert said.err == f"inchwatch journal: {refused}\n"
        assert len(refused.splitlines()) == 1
    event("refused" if refused else "played")
    if not refused:
        assert verdict["complete"] is False
        assert str(verdict["damage"]) in said.out
