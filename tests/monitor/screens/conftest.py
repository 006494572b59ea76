"""Pictures for the screens: from drills at full speed, so that they look as live ones do."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from importlib.resources import files

import pytest

from monitor.engine.picture import AlarmPicture, AlarmState, Picture, Priority
from monitor.rig.load import parse_rig
from monitor.rig.schema import Rig

from ..drill.stage import on_the_demos_rig
from .recordings import RecordedStandIn, lift


@cache
def rig_of(name: str) -> Rig:
    return parse_rig(files("monitor.drill").joinpath(f"rigs/{name}.toml").read_text(encoding="utf-8"))


@pytest.fixture
def rig() -> Rig:
    return rig_of("training-yard")


@pytest.fixture
def demo() -> tuple[Picture, ...]:
    """Every picture of the demo, twenty a second."""
    return on_the_demos_rig("demo")[1]


@pytest.fixture
def leaning(demo) -> Picture:
    """The stack is out of its cone."""
    return next(p for p in demo if any(a.rule == "lean" and a.priority is Priority.DANGER for a in p.alarms))


@pytest.fixture
def quiet(demo) -> Picture:
    """Lifting, nothing wrong."""
    return next(p for p in demo if p.load.rise_m and p.load.rise_m > 0.02)


def alarm(rule: str, priority: Priority, state=AlarmState.UNACKNOWLEDGED, about="S1", text="") -> AlarmPicture:
    words = text or f"{priority.name:<8}{rule} {about}: 251 mm of 250 mm ring, growing 4 mm/s - stop filling, hold"
    return AlarmPicture(rule, about, priority, state, state is not AlarmState.RETURNED, 1, None, None, words, ())


@pytest.fixture
def make_alarm():
    return alarm


@pytest.fixture
def recorded(rig, demo) -> RecordedStandIn:
    """The demo as a recording."""
    return lift(rig, demo)


class StandIn:
    """A feed that shows one picture and keeps what is sent. The screens are real; only the session is not there."""

    def __init__(self, rig: Rig, picture: Picture | None) -> None:
        self.rig, self.picture, self.recording = rig, picture, "recording to yard.jsonl"
        self.sent: list[tuple[str, dict]] = []

    def latest(self) -> Picture | None:
        return self.picture

    def send(self, do: str, /, **details) -> None:
        self.sent.append((do, details))

    def change(self, **fields) -> None:
        self.picture = replace(self.picture, **fields)


@pytest.fixture
def feed(rig, quiet) -> StandIn:
    return StandIn(rig, quiet)
