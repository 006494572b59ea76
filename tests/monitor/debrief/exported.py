"""What an export must give: every row as the journal's lines and the engine's pictures say it, by none of the export's own code."""

from __future__ import annotations

from pathlib import Path

from drivers.reading import Reading
from monitor.cli import main
from monitor.engine.engine import Engine
from monitor.engine.picture import Picture
from monitor.rig.load import parse_rig
from replay.codec import AlarmLine
from replay.entries import Action, Notice
from replay.recording import Recording, read_recording

RECORDING = Path(__file__).resolve().parents[3] / "recordings" / "wrong-order.jsonl"
START_NS = 1_767_258_000_000_000_000
"""2026-01-01T09:00:00 UTC, by date -d ... +%s."""


class Said:
    """A recording's lines and pictures."""

    def __init__(self, path: Path) -> None:
        self.recording: Recording = read_recording(path)
        self.rig = parse_rig(self.recording.header.rig)
        engine = Engine(self.rig)
        lines = list(self.recording.lines())
        fed = (engine.feed(it) for it in lines if not isinstance(it, AlarmLine))
        self.pictures: list[Picture] = [it for it in fed if it is not None]
        self.readings = [it for it in lines if isinstance(it, Reading)]
        self.actions = [it for it in lines if isinstance(it, Action)]
        self.notices = [it for it in lines if isinstance(it, Notice)]
        self.changes = [it for picture in self.pictures for it in picture.transitions]
        self.units = {
            it.name: {"length": "m", "pressure": "Pa", "angle": "rad"}[it.quantity] for it in self.rig.channel
        }


def figures(picture: Picture) -> dict[str, float | None]:
    """Some of each part, by the names of their columns."""
    stack = picture.stacks[0]
    bags = {f"bag.{it.name}.{key}": getattr(it, key) for it in stack.bags for key in ("pressure_pa", "height_m", "use")}
    shores = {f"shore.{it.name}.gap_m": it.gap_m for it in picture.shores}
    sensors = {f"sensor.{it.name}.value": it.value for it in picture.sensors}
    return {
        "load.rise_m": picture.load.rise_m,
        "load.tilt_x_rad": picture.load.tilt_x_rad,
        "load.a": picture.load.a,
        "balance.moment_nm": picture.balance.moment_nm,
        "fall_m": picture.fall_m,
        f"stack.{stack.name}.lean_use": stack.lean_use,
        f"stack.{stack.name}.force_n": stack.force_n,
        **bags,
        **shores,
        **sensors,
    }


def bits(value: float | None) -> str | None:
    """A float to its last bit."""
    return None if value is None else float(value).hex()


def export(path: Path, output: Path, *more: str) -> int:
    return main(["export", str(path), "-o", str(output), *more])
