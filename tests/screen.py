"""What a screen shows of a fault, and when: events of a real wire go through the real loop and engine, and pictures are drawn by
the real screens. `Shown` holds them against a row of the fault matrix; a test that does not hold all of its row against what it
found fails (conftest.py)."""

from __future__ import annotations

import random
import re
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from drivers.config import Channel
from drivers.reading import LinkState, NodeState, Reading
from drivers.tables import PortTable
from monitor.engine.engine import Engine
from monitor.engine.picture import Picture
from monitor.live.session import TICK_NS, Session
from monitor.rig.load import parse_rig
from monitor.rig.schema import Rig
from monitor.screens import board, sensorboard
from monitor.screens.ink import plain
from monitor.sensorboard.following import Following
from replay.codec import AlarmLine
from replay.recording import read_recording

from .faults import LAST, LOSSES, REFUSED, Row

_NONE: Mapping[str, int] = {}
_RESTS = {"pressure": 1e5, "length": 0.3, "angle": 0.0}
_REST_NS = 1_000_000_000
"""So long before the first event the rest of the rig is heard."""


@cache
def _yard() -> Rig:
    return parse_rig(files("monitor.drill").joinpath("rigs/yard-panel.toml").read_text(encoding="utf-8"))


class Shown:
    """A row of the matrix in a test. `checked` fails where any of what the row says was not held against what was found."""

    def __init__(self, row: Row) -> None:
        self.row = row
        self._left = {"says", "within", "lost"}

    def checked(self) -> None:
        assert not self._left, f"{self.row.id}: the test does not hold what the row says of {sorted(self._left)}"

    def shown(
        self,
        events: Iterable[Reading | LinkState | NodeState],
        port: PortTable,
        channels: Sequence[Channel],
        since_ns: int,
        *,
        until_ns: int | None = None,
        counters: Mapping[str, int] = _NONE,
        strangers: Mapping[str, int] = _NONE,
    ) -> None:
        """The words come within their time on a rig that has this port and these channels besides its own, which rest.

        All times are the port's clock; `until_ns` is now, unless it is another clock than time.monotonic_ns. Counters are
        those of now, so that words about them are as late as the test is.
        """
        until_ns = time.monotonic_ns() if until_ns is None else until_ns
        events = sorted(events, key=lambda it: it.time_ns)
        origin_ns = min([since_ns, *(it.time_ns for it in events)]) - _REST_NS
        yard = _yard()
        rig = yard.model_copy(update={"port": [*yard.port, port], "channel": [*yard.channel, *channels]})
        following = Following(rig)
        following.begin(0.0)
        view = sensorboard.BoardView("metric", "", channels[0].name)
        events = [replace(it, time_ns=it.time_ns - origin_ns) for it in events]
        for picture in _played(rig, events, until_ns - origin_ns, following):
            if picture.time_ns < since_ns - origin_ns:
                continue
            drawn = ""
            if self.row.where == "board":
                last = picture.time_ns + TICK_NS > until_ns - origin_ns
                counted = ({port.name: it} if last else {} for it in (counters, strangers))
                said = following.board(picture, *counted)
                drawn = plain(sensorboard.drawing(said, said, view, 160, 48))
            if self._in(picture, drawn):
                self._timely((picture.time_ns - since_ns + origin_ns) * 1e-9)
                return
        raise AssertionError(f"{self.row.id}: {self.row.says!r} was not shown, but {drawn or _words(picture)}")

    def seen(self, pictures: Iterable[Picture], since_ns: int) -> None:
        """The words come within their time on these pictures. `since_ns`: the fault, by the session's clock."""
        for picture in pictures:
            if picture.time_ns >= since_ns and self._in(picture):
                self._timely((picture.time_ns - since_ns) * 1e-9)
                return
        raise AssertionError(f"{self.row.id}: {self.row.says!r} was not shown, but {_words(picture)}")

    def replayed(self, recording: Path, since_ns: int) -> None:
        """The same of a recording, played again."""
        it = read_recording(recording)
        engine = Engine(parse_rig(it.header.rig))
        entries = (line for line in it.lines() if not isinstance(line, AlarmLine))
        self.seen((picture for entry in entries if (picture := engine.feed(entry)) is not None), since_ns)

    def told(self, alarms: Iterable[Mapping[str, Any]], since_s: float = 0.0) -> None:
        """The same of alarms as `run --json` prints them."""
        ours = [it for it in alarms if it["rule"] == self.row.alarm and self.row.said_in(it["text"])]
        assert ours, f"{self.row.id}: {self.row.says!r} was not told, but {[it['text'] for it in alarms]}"
        self._timely(ours[0]["raised"] - since_s)

    def printed(self, text: str) -> None:
        """The words stand in what a command printed."""
        assert self.row.where == "terminal"
        assert self.row.said_in(text), (self.row.says, text)
        self._left -= {"says", "within"}

    def lost(
        self, sent: Sequence[Any], had: Sequence[Any], befell: Sequence[Any] = (), old: Sequence[Any] = ()
    ) -> None:
        """Of what was `sent` all came live (`had`) but for what the fault `befell`; nothing came that was not sent. What was had
        and marked is `old`. What became of what the fault befell is what the row says."""
        sent, had, befell, old = (set(map(repr, them)) for them in (sent, had, befell, old))
        assert sent, "where nothing was sent, nothing can be lost"
        assert had | old <= sent, f"never sent: {sorted((had | old) - sent)[:3]}"
        assert sent - befell <= had, f"lost besides: {sorted(sent - befell - had)[:3]}"
        assert not had & old
        gone, old = befell - had - old, befell & old
        (found,) = (rule for pattern, rule in LOSSES.items() if re.fullmatch(pattern, self.row.lost))
        assert found(len(befell), len(gone), len(old)), (self.row.lost, len(befell), len(gone), len(old))
        self._left.discard("lost")

    def refused(self, code: int) -> None:
        """A command ended with this exit code before anything began."""
        assert (self.row.lost, code) == (REFUSED, 1)
        self._left.discard("lost")

    def lost_s(self, seconds: float) -> None:
        """So long a time is lost."""
        most = LAST.fullmatch(self.row.lost)
        assert most is not None, self.row.lost
        assert seconds <= float(most[1])
        self._left.discard("lost")

    def _timely(self, seconds: float) -> None:
        assert self.row.within_s is not None
        assert seconds <= self.row.within_s, f"{self.row.id}: after {seconds:.2f} s"
        self._left -= {"says", "within"}

    def _in(self, picture: Picture, drawn: str = "") -> bool:
        if self.row.where == "alarm":
            return any(it.active and it.rule == self.row.alarm and self.row.said_in(it.text) for it in picture.alarms)
        if self.row.where == "status":
            return self.row.said_in(status(picture))
        return self.row.where == "board" and self.row.said_in(drawn)


def status(picture: Picture) -> str:
    """The operator's status line."""
    return plain([board.status(picture, "", 160)])


def _words(picture: Picture) -> str:
    return "\n".join([status(picture), *(it.text for it in picture.alarms)])


def _played(
    rig: Rig, events: Sequence[Reading | LinkState | NodeState], until_ns: int, following: Following
) -> Iterator[Picture]:
    """The pictures of a session that heard these events, and at every tick a reading of each channel of the yard's own."""
    rng, at = random.Random(1), 0
    session = Session(rig)  # never started: no wire, no thread; it takes what it is handed
    session._tick(0)
    for port in _yard().port:
        session._take(LinkState(port.name, True, 0, "connected"))
    for number, now_ns in enumerate(range(TICK_NS, until_ns + TICK_NS, TICK_NS)):
        heard: list[Reading | LinkState | NodeState] = [
            Reading(it.name, number, now_ns - 1, None, _RESTS[it.quantity] + rng.gauss(0.0, it.noise or 0.0))
            for it in _yard().channel
        ]
        while at < len(events) and events[at].time_ns <= now_ns:
            heard.append(events[at])
            at += 1
        for one in heard:
            session._take(one)
            if isinstance(one, Reading):
                following.take(one)
        session._tick(now_ns)
        picture = session.latest()
        assert picture is not None
        following.look(picture)
        yield picture
