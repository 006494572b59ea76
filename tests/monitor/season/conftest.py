"""A few short recordings, made once: every judging here is of some seconds of the example rig at rest. Invented."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path

import pytest

from monitor.drill import scenario
from monitor.drill.offline import play
from monitor.live.keeping import JournalKeeper
from monitor.rig.load import parse_rig

TEXT = files("monitor.drill").joinpath("rigs/yard-panel.toml").read_text(encoding="utf-8")


def record(path: Path, month: int, seed: int) -> Path:
    """The first seconds of a drill: the zero, and the first air."""
    keeper = JournalKeeper(path, TEXT, "yard-panel", lambda *_: None, datetime(2026, month, 3, tzinfo=UTC))
    drill = scenario.load("stuck-shore")
    play(parse_rig(TEXT), drill.model_copy(update={"move": drill.move[:1]}), seed=seed, keeper=keeper)
    keeper.close()
    return path


@pytest.fixture(scope="session")
def made(tmp_path_factory) -> Path:
    """A folder of three sessions, one of them torn, and a file that is none."""
    folder = tmp_path_factory.mktemp("made") / "north"
    folder.mkdir()
    for month in (1, 2, 3):
        record(folder / f"lift-{month}.jsonl", month, month)
    whole = (folder / "lift-3.jsonl").read_bytes()
    (folder / "lift-3.jsonl").write_bytes(whole[: len(whole) * 2 // 3])
    (folder / "none.jsonl").write_text("nothing of the kind\n")
    return folder


@pytest.fixture
def few(made, tmp_path) -> Path:
    """The same, a test's own to break."""
    return Path(shutil.copytree(made, tmp_path / "north"))
