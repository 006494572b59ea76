"""What a run of the tests makes once, in whichever of its processes asks first: a long drill that several files look at."""

from __future__ import annotations

import fcntl
import os
import pickle
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import pytest

ROOM = "INCHWATCH_TESTS_ROOM"
"""Names the folder of this run: those that pytest starts have the same environment."""
T = TypeVar("T")
_here: dict[str, object] = {}


def begin(config: pytest.Config) -> None:
    """Make the run's folder, which goes with the process that made it."""
    if not hasattr(config, "workerinput"):
        os.environ[ROOM] = room = tempfile.mkdtemp(prefix="inchwatch-tests-")
        config.add_cleanup(lambda: shutil.rmtree(room))


def once(name: str, make: Callable[[], T]) -> T:
    """What `make` gave, here or in another process of this run. It must be the same wherever it is made, and is not changed."""
    if name not in _here:
        path = _path(name)
        with path.with_suffix(".lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)  # who comes second waits: that takes no longer than to make it
            if path.exists():
                _here[name] = pickle.loads(path.read_bytes())
            else:
                _here[name] = make()
                path.write_bytes(pickle.dumps(_here[name]))
    return _here[name]  # type: ignore[return-value]


def made(name: str) -> bool:
    """Whether it is there already, or is being made."""
    return _path(name).with_suffix(".lock").exists()


def _path(name: str) -> Path:
    return Path(os.environ[ROOM], name)
