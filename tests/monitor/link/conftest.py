"""A lift that is announced and followed for real: sessions, a mosquitto, followers."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack

import pytest

from drivers.kinds.mqtt import Broker
from monitor.link.discovery import Rigs
from monitor.link.follower import Follower
from monitor.live.announcing import announced
from monitor.live.opening import Opened
from monitor.live.session import Session
from monitor.rig.load import parse_rig

from .published import rig_text

NAME = "training-yard"


class Kept:
    """What a journal would hold."""

    def __init__(self) -> None:
        self.entries: list = []

    def write(self, entry) -> None:
        self.entries.append(entry)

    def alarm(self, it) -> None:
        pass

    def close(self) -> None:
        pass


class Operator:
    """An operator's monitor without its screen: a session on no wires, announced."""

    def __init__(self, link: Broker, name: str = NAME) -> None:
        text = rig_text(NAME).replace(f'name = "{NAME}"', f'name = "{name}"', 1)
        self.session = Session(parse_rig(text, name))
        self.session.recording = "recording to it.jsonl"
        self.kept, self._held = Kept(), ExitStack()
        self._held.enter_context(announced(Opened(self.session, [], None, None, text, link)))
        self.session.start([], self.kept)

    def end(self) -> None:
        self.session.stop()
        self._held.close()

    def actions(self, do: str) -> list:
        return [it for it in self.kept.entries if getattr(it, "do", None) == do]


@pytest.fixture
def link(broker) -> Broker:
    return Broker(host=broker.host, port=broker.port)


@pytest.fixture
def operator(link) -> Iterator[Callable[..., Operator]]:
    made: list[Operator] = []

    def begin(name: str = NAME, at: Broker = link) -> Operator:
        made.append(Operator(at, name))
        return made[-1]

    yield begin
    for it in made:
        it.end()


@pytest.fixture
def following(link) -> Iterator[Callable[..., Follower]]:
    made: list[Follower | Rigs] = []

    def begin(name: str | None = NAME, who: str = "", at: Broker = link) -> Follower | Rigs:
        made.append(Rigs(at) if name is None else Follower(at, name, who))
        made[-1].start()
        return made[-1]

    yield begin
    for it in made:
        it.halt()
    for it in made:
        it.stop()
