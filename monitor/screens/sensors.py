"""The board of every channel as a program: twice a second it takes the newest board, draws it, and minds the keys.

It knows nothing of ports, engine or journal; a feed gives it finished boards and lines, and takes what is pressed.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import Protocol

from textual import events
from textual.app import App, ComposeResult

from monitor.screens.ink import Role
from monitor.screens.sensorboard import BoardView, drawing
from monitor.screens.sheet import Sheet
from monitor.sensorboard.picture import BoardPicture, RawLine
from replay.entries import Detail

REDRAW_S = 0.5
"""Numbers that change more often cannot be read."""
STOPPED_S = 2.0
"""A picture older than this says that the monitor itself has stopped."""
_SAID_S = 5.0


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
        """Begin another session, kept or not; one sentence what came of it. Takes as long as ports take to shut."""

    def export(self) -> str:
        """Write the readings of the last minute; one sentence what was written, or why nothing was."""


class SensorScreen(App[None]):
    """The board's screen. `clock` gives seconds, for how old the picture is and how long a message stays."""

    ENABLE_COMMAND_PALETTE = False
    AUTO_FOCUS = ""
    TITLE = "inchwatch sensors"

    def __init__(
        self, feed: BoardFeed, *, for_s: float | None = None, clock: Callable[[], float] = time.monotonic
    ) -> None:
        super().__init__()
        self.feed = feed
        self.now: BoardPicture | None = None
        self.day = False
        self._shown: BoardPicture | None = None
        self._for_s, self._clock = for_s, clock
        self._view = BoardView(feed.units, feed.recording)
        self._question: tuple[str, Callable[[], None]] | None = None
        self._paused: float | None = None
        self._raw = False
        self._fresh = clock()
        self._said_until = 0.0
        self._answered_ns = -1

    def compose(self) -> ComposeResult:
        """One sheet."""
        yield Sheet()

    def on_mount(self) -> None:
        """Begin to redraw."""
        self.set_interval(REDRAW_S, self.redraw)
        if self._for_s is not None:
            self.set_timer(self._for_s, self.exit)
        self.sheet.can_focus = False
        self.redraw()

    @property
    def sheet(self) -> Sheet:
        """The sheet everything is drawn on."""
        return self.query_one(Sheet)

    def on_resize(self) -> None:
        """Draw for the new size as soon as it is laid out."""
        self.call_after_refresh(self.redraw)

    def redraw(self) -> None:
        """Take the newest board and draw it, or go on showing the one at which the display was paused."""
        if not self.query(Sheet):
            return
        latest = self.feed.board()
        if latest is not None and (self.now is None or latest.utc != self.now.utc):
            self.now, self._fresh = latest, self._clock()
            self._hear(latest)
        if self._paused is None or self._shown is None:
            self._shown = self.now
            self._view.raw = self._lines()
        self._draw()

    def _draw(self) -> None:
        now, view = self._clock(), self._view
        if self._shown is not None and view.chosen not in {row.name for row in self._shown.channels}:
            view.chosen = self._shown.channels[0].name
        view.recording = self.feed.recording
        view.paused_s = None if self._paused is None else now - self._paused
        view.stopped_s = now - self._fresh if self.now is not None and now - self._fresh > STOPPED_S else None
        if self._question is None and now > self._said_until:
            view.message = ""
        self.sheet.show(drawing(self._shown, self.now, view, self.size.width, self.size.height))

    def _lines(self) -> Sequence[RawLine] | None:
        if not self._raw or self._shown is None:
            return None
        port = next((row.port for row in self._shown.channels if row.name == self._view.chosen), "")
        return self.feed.raw(port)

    def _hear(self, board: BoardPicture) -> None:
        answer = board.answer
        if answer is not None and answer.time_ns != self._answered_ns:
            self._answered_ns = answer.time_ns
            self._say(
                answer.text if answer.ok else f"REFUSED: {answer.text}", Role.STRONG if answer.ok else Role.UNKNOWN
            )

    def _say(self, text: str, role: Role = Role.STRONG) -> None:
        self._view.message, self._view.message_role = text, role
        self._said_until = self._clock() + _SAID_S

    def on_key(self, event: events.Key) -> None:
        """A key: STOP before anything else, then the answer to a question, then the rest."""
        event.stop()
        event.prevent_default()
        key = event.key
        if key == "space":
            self._question = None
            self.feed.send("stop", reason="sensor board")
        elif self._question is not None:
            self._answer(*self._question, key)
        elif self._view.help:
            self._view.help = False
        elif self._raw and key != "p":
            self._raw = False
            self._view.raw = None
        else:
            self._press(key)
        if self.is_running:
            self._draw()

    def _answer(self, asked: str, yes: Callable[[], None], key: str) -> None:
        self._question = None
        if key == asked:
            yes()
        else:
            self._say("left as it was")

    def _ask(self, key: str, text: str, yes: Callable[[], None]) -> None:
        self._question = key, yes
        self._view.message, self._view.message_role = (
            f"{text}: {key} again does it, any other key leaves it",
            Role.UNKNOWN,
        )

    def _press(self, key: str) -> None:
        keys: dict[str, Callable[[], object]] = {
            "up": lambda: self._move(-1),
            "down": lambda: self._move(1),
            "pageup": lambda: self._move(-10),
            "pagedown": lambda: self._move(10),
            "enter": self._open_raw,
            "p": self._pause,
            "e": lambda: self._say(self.feed.export()),
            "r": self._record,
            "z": lambda: self.feed.send("zero", live_only=True),
            "c": lambda: self._ask("c", "Clear STOP", lambda: self.feed.send("clear-stop")),
            "t": self._turn,
            "q": self.exit,
            "question_mark": self._help,
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
        if self._paused is None:
            self._paused = self._clock()
        else:
            self._paused = None
            self.redraw()

    def _record(self) -> None:
        if self.feed.kept:
            self._ask("r", f"{self.feed.recording}: end it", lambda: self._say(self.feed.record(False)))
        else:
            self._say(self.feed.record(True))

    def _turn(self) -> None:
        self.day = not self.day
        self.sheet.set_day(self.day)

    def _help(self) -> None:
        self._view.help = True


def run_board(feed: BoardFeed, *, for_s: float | None = None) -> None:
    """Show the board until it is ended, or `for_s` seconds have passed."""
    SensorScreen(feed, for_s=for_s).run()
