"""The loop that joins ports, journal, engine and screens: one queue, one engine thread.

An entry is written to the journal first and fed to the engine second, so that a replay is the same call sequence.
Whoever reads pictures may be slow, dead or absent: the loop never waits for them.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Protocol

from drivers.config import Port
from drivers.ports import RunningPort, open_port
from drivers.raw import Raw
from drivers.reading import LinkState, NodeState, Reading
from monitor.engine.engine import Engine
from monitor.engine.picture import Picture, Transition
from monitor.live.clock import running_ns
from monitor.live.hand import Press
from monitor.rig.calibrated import due
from monitor.rig.schema import Rig
from replay.entries import Action, Detail, Entry, Notice, Tick

TICK_NS = 50_000_000
"""Twenty pictures a second."""
_QUEUE_BOUND = 20_000
"""Entries waiting above which the monitor says that it is behind its sensors."""
_AT_ONCE_NS = 300_000_000
"""For so long it takes in what waits without a look at it: what came while it did not run is taken whole, and a computer that
hardly keeps up still judges three times a second."""
_TOGETHER_NS = 5_000_000
"""What comes within this is taken in at one waking: else the engine's thread is woken for every reading, the more so the less the
computer has to do otherwise."""
_ABSENT_NS = 1_000_000_000
"""A loop that looks twenty times a second and has not for so long did not run: it was stopped, or the computer slept."""
_SAID_NS = 3_000_000_000
"""For how long it is said afterwards."""

_Item = Reading | LinkState | NodeState | Action | Notice


class Keeper(Protocol):
    """Where entries and alarm transitions are kept."""

    def write(self, entry: Entry) -> None:
        """Keep one entry."""

    def alarm(self, it: Transition) -> None:
        """Keep one alarm transition that the last entry caused."""

    def close(self) -> None:
        """Finish."""


class Session:
    """One live session: opens the ports, runs the engine, hands pictures out.

    `hand` presses keys where nobody else does; `on_picture` is called on the engine thread with every picture and
    must return at once. `now_ns`: a clock that never goes back, from wherever it likes.
    """

    def __init__(
        self,
        rig: Rig,
        *,
        hand: Callable[[Picture], Press | None] | None = None,
        on_picture: Callable[[Picture], None] | None = None,
        now_ns: Callable[[], int] = running_ns,
    ) -> None:
        self.rig = rig
        self.recording = "not recording"
        self.unrecorded = ""
        self._nothing_kept = self._told_worse = False
        """What is wrong with the recording now, or was when it was closed; empty: nothing."""
        self.wall_start_s = time.time()
        self._engine = Engine(rig)
        self._hand = hand
        self.on_picture = on_picture
        self.on_failure: Callable[[], None] = lambda: None
        self._queue: queue.SimpleQueue[_Item] = queue.SimpleQueue()
        self._now_ns, self._origin_ns = now_ns, now_ns()
        self._latest: Picture | None = None
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="engine", daemon=True)
        self._keeper: Keeper | None = None
        self._ports: list[RunningPort] = []
        self._behind = self._swamped = False
        self._looked_ns = self._absent_until_ns = 0
        self.failure: BaseException | None = None

    def clock(self) -> int:
        """Monotonic nanoseconds since the session began."""
        return self._now_ns() - self._origin_ns

    def start(self, ports: Sequence[Port] | None = None, keeper: Keeper | None = None) -> None:
        """Open the ports (those of the rig file, or others in their place) and begin."""
        self._keeper = keeper
        for config in ports if ports is not None else self.rig.port:
            channels = [channel for channel in self.rig.channel if channel.source.port == config.name]
            self._ports.append(open_port(config, channels, self._queue.put, self.clock))
        self._thread.start()
        for port in self._ports:
            port.start()

    def stop(self) -> None:
        """Close the ports, finish the journal. Safe to call twice."""
        self.halt()
        if self._keeper is not None:
            self._keeper.close()
            self._keeper = None

    def halt(self) -> None:
        """Close the ports and end the engine; the journal takes nothing more, and is still to be finished. Safe to call twice."""
        for port in self._ports:
            port.halt()
        for port in self._ports:
            port.stop()
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join()

    def latest(self) -> Picture | None:
        """The newest finished picture."""
        return self._latest

    def send(self, do: str, /, **details: Detail) -> None:
        """An action of the operator. Callable from any thread; the next picture answers it."""
        self.send_as("operator", do, **details)

    def send_as(self, by: str, do: str, /, **details: Detail) -> int:
        """An action of somebody else, and its time (ns). Callable from any thread; the next picture answers it."""
        action = Action(self.clock(), do, details, by)
        self._queue.put(action)
        return action.time_ns

    def trouble(self, active: bool, text: str, nothing_kept: bool) -> None:
        """The recorder cannot write, or can again. Callable from any thread.

        That it keeps nothing any more is told by itself where it was in trouble before: that may have been acknowledged.
        """
        worse = nothing_kept and bool(self.unrecorded) and not self._nothing_kept
        better = self._told_worse and not nothing_kept
        self.unrecorded, self._nothing_kept = text if active else "", nothing_kept
        now_ns = self.clock()
        self._queue.put(Notice(now_ns, "recorder", "", active, text))
        if worse or better:
            self._told_worse = worse
            self._queue.put(Notice(now_ns, "unrecorded", "", worse, text))

    def counters(self) -> Mapping[str, Mapping[str, int]]:
        """What each port has counted."""
        return {port.name: port.counters() for port in self._ports}

    def strangers(self) -> Mapping[str, Mapping[str, int]]:
        """What came in on each port from sources that no channel names, and how often."""
        return {port.name: port.strangers() for port in self._ports}

    def raw(self, port: str) -> Sequence[Raw]:
        """The newest bytes of a port as they came over its wire, the oldest first; none of a port that is not there."""
        return next((it.raw() for it in self._ports if it.name == port), [])

    def _run(self) -> None:
        try:
            self._loop()
        except BaseException as error:  # noqa: BLE001 - told to whoever waits for pictures, who must say it aloud
            self.failure = error
            self.on_failure()

    def _loop(self) -> None:
        self._tick(0)  # the session's first entry: every time in it is counted from here
        self._say_what_is_out_of_date()
        self._looked_ns, due_ns = self.clock(), TICK_NS
        while not self._stopping.is_set():
            time.sleep(max(0, min(_TOGETHER_NS, due_ns - self.clock())) * 1e-9)
            acted = self._drain(max(0.0, (due_ns - self.clock()) * 1e-9))
            now_ns = self.clock()
            if acted or now_ns >= due_ns:
                self._tick(now_ns)
            if now_ns >= due_ns:  # late by a whole tick or more: one tick, not a burst
                due_ns = due_ns + TICK_NS if now_ns < due_ns + TICK_NS else now_ns + TICK_NS
        self._tick(self.clock())

    def _say_what_is_out_of_date(self) -> None:
        """The engine has no clock: which calibrations no longer hold as the session begins is an entry like any other."""
        for it in due(self.rig, datetime.fromtimestamp(self.wall_start_s, UTC)):
            if it.wrong:
                self._feed(Notice(0, "calibration", it.it.channel, True, it.wrong))

    def _drain(self, wait_s: float) -> bool:
        """Feed what is waiting, or wait for it; True if an action was among it, which asks for a picture at once."""
        enough_ns = self.clock() + round(wait_s * 1e9) + _AT_ONCE_NS
        try:
            for _ in range(_QUEUE_BOUND):
                item = self._queue.get(timeout=wait_s) if wait_s > 0.0 else self._queue.get_nowait()
                if self._take(item):
                    return True
                if self.clock() >= enough_ns:
                    return False
                wait_s = 0.0
        except queue.Empty:
            pass
        return False

    def _take(self, item: _Item) -> bool:
        if isinstance(item, LinkState):
            item = Notice(item.time_ns, "link", item.port, not item.up, item.text)
        elif isinstance(item, NodeState):
            item = Notice(item.time_ns, "node", item.channel, not item.here, item.text)
        self._feed(item)
        return isinstance(item, Action)

    def _feed(self, entry: Entry) -> Picture | None:
        if self._keeper is not None:
            self._keeper.write(entry)
        return self._engine.feed(entry)

    def _tick(self, now_ns: int) -> None:
        self._mind_the_time(now_ns)
        picture = self._feed(Tick(now_ns))
        assert picture is not None, "a tick gives a picture"
        if self._keeper is not None:
            for it in picture.transitions:
                self._keeper.alarm(it)
        self._latest = picture
        if self.on_picture is not None:
            self.on_picture(picture)
        if self._hand is not None and (press := self._hand(picture)) is not None:
            do, details = press
            self._feed(Action(now_ns, do, details, "automatic"))

    def _mind_the_time(self, now_ns: int) -> None:
        """Say that the monitor is behind its sensors: it did not run for a while, or more waits than it takes in."""
        absent_ns, self._looked_ns = now_ns - self._looked_ns, now_ns
        waiting = self._queue.qsize()
        swamped, self._swamped = self._swamped, waiting > (_QUEUE_BOUND // 4 if self._swamped else _QUEUE_BOUND)
        text = f"{waiting} entries wait" if self._swamped and not swamped else ""
        if absent_ns > _ABSENT_NS:
            self._absent_until_ns = now_ns + _SAID_NS
            text = f"did not run for {absent_ns * 1e-9:.0f} s"
        over = self._behind and not self._swamped and now_ns >= self._absent_until_ns
        if text or over:
            self._behind = bool(text)
            self._feed(Notice(now_ns, "behind-time", "", self._behind, text or "caught up"))
