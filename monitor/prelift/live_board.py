"""The body of `inchwatch sensors --board`: a live session, every channel of it on a screen, as JSON lines, or as a table.

The session is the one that `run` uses and is kept as it keeps it. Nobody lifts by it: once every channel rests the zero is taken,
so that frozen and noisy channels are known, and the plan is given up.
"""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import orjson

from drivers.reading import Reading
from monitor.engine.picture import Picture
from monitor.live.hand import Press
from monitor.live.keeping import JournalKeeper
from monitor.live.opening import BadCall, Call, NotOpened, Opened, ended, ended_by_signal, kept, on_a_terminal, opened
from monitor.live.session import Session
from monitor.live.witness import Witness
from monitor.prelift.targets import meanings, targets
from monitor.rig.schema import Rig
from monitor.sensorboard import words
from monitor.sensorboard.following import Following
from monitor.sensorboard.picture import BoardPicture, RawLine, raw_lines
from replay.entries import Detail
from replay.writer import CLOSE_WITHIN_S, JournalError

_EVERY_S = 1.0
_COLUMNS = 120
"""Width of the table where there is no terminal."""
_LINES, _LINES_JSON = 200, 20
"""Lines of a port's wire that are shown, and printed a second, at most."""
_CALLS = ("stop", "clear-stop")
"""What is called while one session follows another holds in both."""
_CLOSE_S = CLOSE_WITHIN_S + 5.0
"""So long a change of sessions is waited for at the end: for a disk, and for ports."""


class Hand:
    """Takes the zero once every channel rests, and gives the plan up then: a breath of air is no step of it."""

    def __init__(self) -> None:
        self._zeroed_ns: int | None = None

    def __call__(self, picture: Picture) -> Press | None:
        """The one key to press now."""
        zero = picture.zero
        if zero.taken_ns is None:
            return ("zero", {}) if zero.ready else None
        if zero.taken_ns == self._zeroed_ns or not picture.steps:
            return None
        self._zeroed_ns = zero.taken_ns
        return "abandon", {}


def places(rig: Rig) -> dict[str, str]:
    """What each channel of a rig measures, in a few words."""
    return {it.channel: f"air of {it.name}" for it in targets(rig) if it.air} | meanings(rig)


class LiveBoard:
    """Joins a session to the board. Its board and lines are one thread's: the screen's, or the printer's. `record` and `export`
    are another's, one after the other, as they wait for disks and ports."""

    def __init__(self, it: Opened, call: Call) -> None:
        self.session = it.session
        self._it, self._call = it, call
        self._keeper: JournalKeeper | None = it.keeper
        self._lock, self._changing = threading.Lock(), threading.Lock()
        self._meanwhile: list[tuple[str, dict[str, Detail]]] | None = None
        """What was called since one session began to make way for another; None while none does."""
        self._closed = False
        self._following = Following(it.session.rig, places(it.session.rig))
        self.stop = threading.Event()

    @property
    def units(self) -> str:
        """The rig's units."""
        return self.session.rig.rig.units

    @property
    def recording(self) -> str:
        """Where the session is kept, or that it is not."""
        return self.session.recording

    @property
    def kept(self) -> bool:
        """Whether the session is kept."""
        return self._keeper is not None

    def start(self) -> None:
        """Begin the session."""
        with self._lock:
            self._following.begin(self.session.wall_start_s)
        self.session.on_picture, self.session.on_failure = self._look, self.stop.set
        self.session.start(self._it.ports, Witness(self._keeper, self._take))

    def board(self) -> BoardPicture | None:
        """The newest board; None until there is a picture."""
        session = self.session
        picture = session.latest()
        if picture is None:
            return None
        counters, strangers = session.counters(), session.strangers()
        with self._lock:
            return self._following.board(picture, counters, strangers)

    def raw(self, port: str, most: int = _LINES) -> Sequence[RawLine]:
        """The newest lines of a port as they came, the oldest first."""
        return raw_lines(self.session.raw(port), most)

    def send(self, do: str, /, **details: Detail) -> None:
        """An action of the person."""
        with self._lock:
            if self._meanwhile is not None and do in _CALLS:
                self._meanwhile.append((do, details))
            self.session.send(do, **details)

    def record(self, keep: bool) -> str:
        """End this session and begin another, kept or not; one sentence what came of it. A recording is one session from its first
        moment: it cannot be begun in the middle of one, or it would not play the same again.

        Returns once the disk has answered, or was given up. Until then the session that there is goes on, and then the next one;
        a STOP that is called meanwhile stands in both.
        """
        with self._changing:
            with self._lock:
                picture = self.session.latest()
                if picture is not None and picture.stop_called is not None:
                    return "left as it was: STOP stands, and another session would not know of it; clear it first (c)"
                self._meanwhile = []
            try:
                return self._changed(keep)
            finally:
                with self._lock:
                    self._meanwhile = None

    def _changed(self, keep: bool) -> str:
        session, keeper = Session(self.session.rig, hand=Hand()), None
        if keep:
            try:
                session.recording, keeper = kept(replace(self._call, record=None), session, self._it.text)
            except (BadCall, JournalError) as error:
                return f"not recording: {error}"
        if self._closed:  # the disk has answered after the end
            if keeper is not None:
                keeper.close()
            return "not recording: ended before"
        before = self.session
        before.halt()
        with self._lock:
            self.session, self._keeper = session, keeper
            for do, details in self._meanwhile or []:
                session.send(do, **details)
            self._meanwhile = None
        self.start()
        before.stop()
        ill = f", and not as it should be: {before.unrecorded}" if before.unrecorded else ""
        return self.recording if keep else f"ended: {before.recording}{ill}"

    def close(self) -> None:
        """End the session; what is still waited for is given up after a while."""
        self._closed = True
        changed = self._changing.acquire(timeout=_CLOSE_S)
        try:
            self.session.stop()
        finally:
            if changed:
                self._changing.release()

    def export(self) -> str:
        """Write the readings of the last minute as CSV beside the recordings; one sentence what came of it."""
        board = self.board()
        if board is None:
            return "nothing to export yet"
        with self._lock:
            recent = self._following.recent()
        path = Path(f"{board.rig}-board-{datetime.now(UTC):%Y%m%d-%H%M%S}.csv")
        try:
            with path.open("x", encoding="utf-8", newline="") as out:
                out.write(words.as_csv(board, recent))
        except FileExistsError:
            return f"not exported: {path} is there already; press e again in a second"
        except OSError as error:
            return f"not exported: {path}: {error.strerror}"
        return f"exported {sum(len(readings) for _, readings in recent)} readings to {path}"

    def _take(self, reading: Reading) -> None:
        with self._lock:
            self._following.take(reading)

    def _look(self, picture: Picture) -> None:
        with self._lock:
            self._following.look(picture)


def board(call: Call, *, raw: bool = False) -> int:
    """Show the board as called; returns the exit code. Without a terminal, a table a second; as JSON, an object a second."""
    try:
        it = opened("sensors", call, Hand())
    except NotOpened as why:
        return why.code
    live = LiveBoard(it, call)
    if not call.as_json and on_a_terminal():
        _screen(live, it.for_s)
    else:
        print(live.recording, file=sys.stderr)
        with ended_by_signal(live.stop):
            live.start()
            try:
                for text in _lines(live, it.for_s, as_json=call.as_json, raw=raw):
                    print(text, flush=True)
            finally:
                live.close()
    return ended(live.session)


def _screen(live: LiveBoard, for_s: float | None) -> None:
    from monitor.screens.sensors import run_board

    live.start()
    try:
        run_board(live, for_s=for_s)
    finally:
        live.close()
    print(live.recording, file=sys.stderr)


def _lines(live: LiveBoard, for_s: float | None, *, as_json: bool, raw: bool) -> Iterator[str]:
    """What is printed, once a second, until the time is up or the session is stopped."""
    from monitor.screens.sensorboard import listing

    due = time.monotonic()
    end = None if for_s is None else due + for_s
    while not live.stop.is_set():
        due += _EVERY_S
        until = due if end is None else min(due, end)
        live.stop.wait(max(0.0, until - time.monotonic()))
        now = live.board()
        if now is not None and as_json:
            lines = {port.name: live.raw(port.name, _LINES_JSON) for port in now.ports} if raw else None
            yield orjson.dumps(words.as_json(now, lines)).decode()
        elif now is not None:
            yield listing(now, live.units, _COLUMNS) + "\n"
        if end is not None and time.monotonic() >= end:
            return
