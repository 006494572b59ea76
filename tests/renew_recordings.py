"""Makes the recordings and their expected verdicts anew, from drills. Run on purpose, never to make a test pass:

    python tests/renew_recordings.py

Look at the difference before it is committed: a changed verdict is a changed engine.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path

from monitor.debrief.judge import judged
from monitor.drill import scenario
from monitor.drill.offline import play
from monitor.live.keeping import JournalKeeper
from monitor.rig.load import parse_rig

FOLDER = Path(__file__).resolve().parent.parent / "recordings"
DRILLS = ("wrong-order", "stuck-shore")


def rounded(value: object) -> object:
    """Floats to six decimals: rounded when written, never when computed."""
    if isinstance(value, float):
        return round(value, 6)
    if isinstance(value, dict):
        return {key: rounded(inner) for key, inner in value.items()}
    return [rounded(inner) for inner in value] if isinstance(value, list) else value


def expected(recording: Path) -> dict:
    """The verdict as it is kept beside a recording: without the file's place."""
    return rounded({key: value for key, value in judged(recording).items() if key != "file"})


def main() -> None:
    text = files("monitor.drill").joinpath("rigs/yard-panel.toml").read_text(encoding="utf-8")
    for name in DRILLS:
        path = FOLDER / f"{name}.jsonl"
        path.unlink(missing_ok=True)
        keeper = JournalKeeper(path, text, "yard-panel", print, datetime(2026, 1, 1, 9, tzinfo=UTC))
        play(parse_rig(text), scenario.load(name), keeper=keeper)
        keeper.close()
        path.with_suffix(".verdict.json").write_text(json.dumps(expected(path), indent=1) + "\n")


if __name__ == "__main__":
    main()
