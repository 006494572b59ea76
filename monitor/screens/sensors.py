"""The board of every channel as a program: twice a second it takes the newest board, draws it, and minds the keys.

It knows nothing of ports, engine or journal; a feed gives it finished boards and lines, and takes what is pressed.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import Protocol

from monitor.screens.errand import Errand
from monitor.screens.ink import Line, Role
from monitor.screens.live import LiveScreen
from monitor.screens.sensorboard import BoardView, drawing
from monitor.sensorboard.picture import BoardPicture, RawLine
from replay.entries import Detail

REDRAW_S = 0.5
"""Numbers that change more often cannot be read."""
STOPPED_S = 2.0
"""A picture older than this says that the monitor itself has stopped."""
_AT_ONCE_S = 0.1
"""For so long a key waits for what it does: what is done by then is said at once."""


class BoardFeed(Protocol):
    """The screen's only door to the rest of the program."""

    @property
    def units(self) -> str:
        """The rig's units: "metric" or "us"."""

    @property
    def recording(self) -> str:
        """Where the session is kept, or that it is not."""

    @property
    def kept(self) -> bool:
        """Whether the session is kept."""

    def board(self) -> BoardPicture | None:
        """The newest board; None until there is one."""

    def raw(self, port: str) -> Sequence[RawLine]:
        """The newest lines of a port, the oldest first."""

    def send(self, do: str, /, **details: Detail) -> None:
        """An action of the person."""

    def record(self, keep: bool) -> str:
        """Begin another session, kept or not; one sentence what came of it. Takes as long as ports take to shut and disks to
        answer: called on a thread of its own."""

    def export(self) -> str:
        """Write the readings of the last minute; one sentence what was written, or why nothing was. Called on a thread of its
        own, as a disk may not answer."""


class SensorScreen(LiveScreen):
    """The board's screen. A display that was paused goes on showing the board it was paused at."""

    TITLE = "inchwatch sensors"
    redraw_s = REDRAW_S

    def __init__(
        self, feed: BoardFeed, *, for_s: float | None = None, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._view = BoardView(feed.units, feed.recording)
        super().__init__(self._view, bell=False, for_s=for_s, clock=clock)
        self.feed = feed
        self.now: BoardPicture | None = None
        self._shown: BoardPicture | None = None
        self._paused: float | None = None
        self._raw = False
        self._errand: Errand | None = None

    def take(self, now: float) -> None:
        """The newest board, or, while the display is paused, the one at which it was."""
        view, latest = self._view, self.feed.board()
        if latest is not None and (self.now is None or latest.utc != self.now.utc):
            self.now, self._fresh = latest, now
            self.hear(latest.answer)
        if self._paused is None or self._shown is None:
            self._shown = self.now
            view.raw = self._lines()
        if self._shown is not None and view.chosen not in {row.name for row in self._shown.channels}:
            view.chosen = self._shown.channels[0].name
        view.recording = self.feed.recording
        self._see_what_came_of_it(now)
        view.paused_s = None if self._paused is None else now - self._paused
        view.stopped_s = now - self._fresh if self.now is not None and now - self._fresh > STOPPED_S else None

    def drawing(self, columns: int, rows: int) -> list[Line]:
        """The board at this size."""
        return drawing(self._shown, self.now, self._view, columns, rows)

    def _lines(self) -> Sequence[RawLine] | None:
        if not self._raw or self._shown is None:
            return None
        port = next((row.port for row in self._shown.channels if row.name == self._view.chosen), "")
        return self.feed.raw(port)

    def stop(self) -> None:
        """STOP, signed by this screen."""
        self.feed.send("stop", reason="sensor board")

    def opened(self, key: str) -> bool:
        """Any key but a pause shuts the wire."""
        if not self._raw or key == "p":
            return False
        self._raw = False
        self._view.raw = None
        return True

    def press(self, key: str) -> None:
        """One key, one deed."""
        keys: dict[str, Callable[[], object]] = {
            "up": lambda: self._move(-1),
            "down": lambda: self._move(1),
            "pageup": lambda: self._move(-10),
            "pagedown": lambda: self._move(10),
            "enter": self._open_raw,
            "p": self._pause,
            "e": lambda: self._begin("writing the last minute", self.feed.export),
            "r": self._record,
            "z": lambda: self.feed.send("zero", live_only=True),
            "c": lambda: self.ask("c", "Clear STOP", lambda: self.feed.send("clear-stop")),
            "t": self.turn,
            "q": self.exit,
            "question_mark": self.open_help,
        }
        if key == "q" or (self._shown is not None and key in keys):
            keys[key]()

    def _move(self, way: int) -> None:
        assert self._shown is not None, "keys wait for a board"
        names = [row.name for row in self._shown.channels]
        self._view.chosen = names[min(max(0, names.index(self._view.chosen) + way), len(names) - 1)]

    def _open_raw(self) -> None:
        self._raw = True
        self._view.raw = self._lines()

    def _pause(self) -> None:
        self._paused = self._clock() if self._paused is None else None

    def _record(self) -> None:
        if self.feed.kept and self._errand is None:
            what = f"{self.feed.recording}: end it"
            self.ask("r", what, lambda: self._begin("ending the recording", lambda: self.feed.record(False)))
        else:
            self._begin("beginning a recording", lambda: self.feed.record(True))

    def _begin(self, what: str, deed: Callable[[], str]) -> None:
        """Begin what may take long, unless another such deed is still under way: that is said then."""
        now = self._clock()
        if self._errand is not None:
            self.say(self._errand.waits(now), Role.UNKNOWN)
            return
        self._errand = Errand(what, deed, now)
        self._see_what_came_of_it(now, _AT_ONCE_S)

    def _see_what_came_of_it(self, now: float, within_s: float = 0.0) -> None:
        """Say what came of an errand; while it is under way, that it is."""
        if self._errand is not None and (said := self._errand.over(within_s)) is not None:
            self._errand = None
            self.say(said)
        self._view.waits = "" if self._errand is None else self._errand.waits(now)


def run_board(feed: BoardFeed, *, for_s: float | None = None) -> None:
    """Show the board until it is ended, or `for_s` seconds have passed."""
    SensorScreen(feed, for_s=for_s).run()
