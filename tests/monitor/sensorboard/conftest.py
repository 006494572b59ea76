"""A rig whose readings a test makes up, through the real engine: what the board says is of real pictures."""

from __future__ import annotations

import random
from collections.abc import Callable
from importlib.resources import files

import pytest

from drivers.reading import Quality, Reading
from monitor.engine.engine import Engine
from monitor.rig.load import parse_rig
from monitor.sensorboard.following import Following
from monitor.sensorboard.picture import BoardPicture, ChannelRow
from replay.entries import Action, Notice, Tick

STEP_NS = 50_000_000
RESTS = {"pressure": 1e5, "length": 0.3, "angle": 0.0}


class Bench:
    """Twenty readings a second of every channel, with the noise the rig file says; `wrong` changes a channel's value."""

    def __init__(self, change: Callable[[str], str] = lambda text: text) -> None:
        """`change`: what is another in the rig file."""
        text = files("monitor.drill").joinpath("rigs/yard-panel.toml").read_text(encoding="utf-8")
        self.rig = parse_rig(change(text))
        self.engine, self.following = Engine(self.rig), Following(self.rig, {"H1": "height of the load"})
        self.following.begin(1_000.0)
        self.now_ns, self._count, self._random = 0, 0, random.Random(1)
        self.wrong: dict[str, object] = {}
        self.counters: dict[str, dict[str, int]] = {}
        self.strangers: dict[str, dict[str, int]] = {}
        self._tick()
        for port in self.rig.port:
            self.engine.feed(Notice(0, "link", port.name, False, "connected"))

    def _tick(self) -> None:
        self.picture = self.engine.feed(Tick(self.now_ns))
        self.following.look(self.picture)

    def say(
        self,
        channel: str,
        value: float,
        quality: Quality = Quality.GOOD,
        time_ns: int | None = None,
        own_ns: int | None = None,
    ) -> None:
        it = Reading(channel, self._count, self.now_ns if time_ns is None else time_ns, own_ns, value, quality)
        self.engine.feed(it)
        self.following.take(it)

    def go(self, seconds: float) -> BoardPicture:
        for _ in range(round(seconds * 1e9) // STEP_NS):
            self.now_ns += STEP_NS
            self._count += 1
            for channel in self.rig.channel:
                value = RESTS[channel.quantity] + self._random.gauss(0.0, channel.noise)
                change = self.wrong.get(channel.name, lambda it: it)
                if (said := change(value)) is not None:
                    self.say(channel.name, said)
            self._tick()
            if self._count % 10 == 0:
                self.board()
        return self.board()

    def board(self) -> BoardPicture:
        return self.following.board(self.picture, self.counters, self.strangers)

    def row(self, channel: str) -> ChannelRow:
        return next(row for row in self.board().channels if row.name == channel)

    def link(self, port: str, down: bool, text: str) -> None:
        self.engine.feed(Notice(self.now_ns, "link", port, down, text))

    def press(self, do: str, **details) -> None:
        self.engine.feed(Action(self.now_ns, do, details))


@pytest.fixture
def bench() -> Bench:
    return Bench()


@pytest.fixture
def bench_with() -> type[Bench]:
    return Bench
