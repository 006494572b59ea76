"""What the tests of whole programs share: a recording judged by the command line, as anyone would."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest


@pytest.fixture
def judged() -> Callable[..., list[dict]]:
    """`inchwatch judge PATH... --json` in another process: a verdict each. A recording it cannot judge fails the test."""

    def verdicts(*paths: Path) -> list[dict]:
        call = [sys.executable, "-m", "monitor", "judge", *map(str, paths), "--json"]
        it = subprocess.run(call, capture_output=True, text=True, check=True, timeout=90)
        return [json.loads(line) for line in it.stdout.splitlines()]

    return verdicts
