"""A recording that every test of the export shares, and what its lines and pictures say."""

from __future__ import annotations

from pathlib import Path

import pytest

from replay.codec import entry_line
from replay.entries import Action, Tick

from .exported import RECORDING, Said


@pytest.fixture(scope="session")
def cut_off(tmp_path_factory) -> Path:
    """The first seconds of a recording, in which somebody then called STOP; 1500 lines, not closed."""
    path = tmp_path_factory.mktemp("exported") / "torn.jsonl"
    lines = RECORDING.read_bytes().splitlines(keepends=True)[:1497]
    stop = [Action(8_000_000_000, "stop", {"reason": "wind"}), Tick(8_000_000_000), Tick(8_050_000_000)]
    path.write_bytes(b"".join([*lines, *map(entry_line, stop)]))
    return path


@pytest.fixture(scope="session")
def said(cut_off) -> Said:
    """What the export must say."""
    found = Said(cut_off)
    assert found.changes
    return found
