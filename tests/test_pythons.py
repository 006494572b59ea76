"""What holds the Pythons together finds those that are there, and tells where two event logs part."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

_spec = importlib.util.spec_from_file_location("pythons", Path(__file__).with_name("pythons.py"))
assert _spec is not None
assert _spec.loader is not None
pythons = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(pythons)


def test_this_python_is_found_and_one_that_is_not_there_is_not():
    mine = "{}.{}".format(*sys.version_info)
    found = pythons.interpreter(mine)
    assert found is None or pythons._version_of(found) == mine
    assert pythons.interpreter("9.99") is None
    assert pythons._version_of(Path(sys.executable)) == mine


def test_it_is_told_from_which_line_on_two_logs_part(tmp_path):
    for name, log in (("a", b"0 aa\n50 bb\n100 cc\n"), ("b", b"0 aa\n50 bX\n100 cc\n"), ("c", b"0 aa\n50 bb\n")):
        (tmp_path / name).mkdir()
        (tmp_path / name / "yard.events").write_bytes(log)
    assert pythons.differences(tmp_path / "a", tmp_path / "a") == []
    assert pythons.differences(tmp_path / "a", tmp_path / "b") == ["yard, from line 2 of its event log on"]
    assert pythons.differences(tmp_path / "a", tmp_path / "c") == ["yard, from line 3 of its event log on"]
