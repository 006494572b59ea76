"""Makes the picture of a report that the README shows, by a browser. Run on purpose, and look at it before it is committed:

    python tests/monitor/report/renew_picture.py

The lift is the demo's; what people do and note in it is invented.
"""

from __future__ import annotations

import subprocess
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path

import orjson

from monitor.drill import scenario
from monitor.drill.offline import play
from monitor.engine.engine import Engine
from monitor.live.keeping import JournalKeeper
from monitor.report.facts import gather
from monitor.report.page import page
from monitor.report.printing import browser
from monitor.rig.load import parse_rig
from replay.codec import AlarmLine
from replay.entries import Action, Entry
from replay.names import notes_path
from replay.recording import read_recording

PICTURE = Path(__file__).parents[1] / "screens" / "pictures" / "report.png"
SECOND_NS = 1_000_000_000
BEGUN = datetime(2026, 3, 1, 9, 30, tzinfo=UTC)
DONE = (
    (16.5, "acknowledge", {"rule": "shore-behind", "about": "N1"}, "operator"),
    (48.9, "acknowledge", {"rule": "lean", "about": "S1"}, "operator"),
    (52.8, "stop", {"reason": "stack leans"}, "safety officer"),
    (53.9, "acknowledge", {"rule": "lean", "about": "S1"}, "operator"),
    (64.0, "clear-stop", {}, "safety officer"),
)
NOTED = (
    (16.2, "The valve was shut before the alarm was acknowledged: well done."),
    (52.8, "STOP came 1.7 s after the danger, by one voice."),
)


def with_people(entries: Iterator[Entry | AlarmLine]) -> Iterator[Entry]:
    """The entries of a lift, and what people did in it."""
    waiting = [Action(round(at * SECOND_NS), do, details, by) for at, do, details, by in DONE]
    for entry in entries:
        while waiting and waiting[0].time_ns < entry.time_ns:
            yield waiting.pop(0)
        if not isinstance(entry, AlarmLine):
            yield entry


def recorded(folder: Path) -> Path:
    """The lift as it is kept when people act in it, and the notes beside it."""
    drill = scenario.load("demo")
    text = files("monitor.drill").joinpath(f"rigs/{drill.rig}.toml").read_text(encoding="utf-8")
    alone, yard = folder / "alone.jsonl", folder / "yard.jsonl"
    keeper = JournalKeeper(alone, text, drill.rig, print, BEGUN)
    play(parse_rig(text), drill, keeper=keeper)
    keeper.close()
    keeper, engine = JournalKeeper(yard, text, drill.rig, print, BEGUN), Engine(parse_rig(text))
    for entry in with_people(read_recording(alone).lines()):
        keeper.write(entry)
        picture = engine.feed(entry)
        for it in picture.transitions if picture is not None else ():
            keeper.alarm(it)
    keeper.close()
    notes_path(yard).write_bytes(
        b"".join(
            orjson.dumps(
                {"t": round(at * SECOND_NS), "written": "2026-03-02T17:05:00+00:00", "who": "instructor", "text": text}
            )
            + b"\n"
            for at, text in NOTED
        )
    )
    return yard


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        html = Path(folder, "report.html")
        html.write_text(page(gather(recorded(Path(folder)))), encoding="utf-8")
        command = [browser(), "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={folder}/browser"]
        look = ["--hide-scrollbars", "--window-size=760,1700", f"--screenshot={PICTURE}", html.as_uri()]
        subprocess.run([*command, *look], check=True, capture_output=True)


if __name__ == "__main__":
    main()
