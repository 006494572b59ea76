"""A recording cut off anywhere is played or refused with a sentence by everything that reads one, and never ends it otherwise."""

from __future__ import annotations

import pytest

from monitor.cli import main
from monitor.debrief.player import Player
from replay.journal import JournalError

from .exported import RECORDING

LINES = RECORDING.read_bytes().splitlines(keepends=True)[:30]
HEAD = len(LINES[0])
ENDS = [sum(map(len, LINES[: n + 1])) for n in range(1, 8)]
SIZES = sorted({0, 1, HEAD // 2, HEAD - 1, HEAD, *(end + by for end in ENDS for by in (-20, -1, 0)), *ENDS[-1:]})


@pytest.mark.parametrize("size", SIZES)
def test_a_prefix(size, tmp_path, capsys):
    path = tmp_path / "cut.jsonl"
    path.write_bytes(b"".join(LINES)[:size])
    codes = [main([*call, str(path)]) for call in (("judge",), ("journal",), ("export", "-o", str(tmp_path / "o.csv")))]
    said = capsys.readouterr()
    assert "Traceback" not in said.err + said.out
    try:
        player = Player(path)
    except JournalError as error:
        assert "\n" not in str(error)
        assert codes == [1, 1, 1]
        assert said.err.count("cut.jsonl: ") == 3
        return
    while player.advance():
        pass
    player.close()
    assert codes == [0, 1, 0]
    assert player.recording.damage
    assert said.out.count(player.recording.damage) >= 2, "the judge and the journal say it"
    assert player.recording.damage in said.err, "and the export"
