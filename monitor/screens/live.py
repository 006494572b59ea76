"""What every screen does: draw the newest picture again and again, call STOP by the space bar, ask once, answer, ring.

That of a recording stands on it too, with nothing to stop and nothing to ring. A screen of its own says what it takes from its
feed, what it draws and what its keys do. Nothing here knows of a rig.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypedDict, Unpack

from textual import events
from textual.app import App, ComposeResult
from textual.widgets import Input

from monitor.engine.picture import AlarmPicture, Answer
from monitor.screens.frame import Frame
from monitor.screens.ink import Line, Role
from monitor.screens.sheet import Sheet
from monitor.screens.sound import Sound
from monitor.screens.terminal import on_ending, takes_more

REDRAW_S = 0.1
STOPPED_S = 1.0
"""A picture older than this says that the monitor itself has stopped."""
_SAID_S = 5.0
"""How long an answer stays in the last line."""
_MOST = 500
"""So many signs can be typed."""


class How(TypedDict, total=False):
    """How a screen is shown: whether the terminal's bell sounds (else not), the command line of another sound, after how long it
    ends by itself (s; else it does not), and a clock in seconds: how old the picture is, how long a message stays."""

    bell: bool
    sound: str | None
    for_s: float | None
    clock: Callable[[], float]


@dataclass
class Question:
    """Something asked once: the same key again does it, any other leaves it."""

    key: str
    text: Callable[[], str]
    yes: Callable[[], None]
    nudge: Callable[[int], None] | None = None
    turn: Callable[[int], None] | None = None
    """Up and down nudge, right and left turn, where they mean anything."""


class Typing(Input):
    """The line in which a person types. A space before anything else is no part of what is typed: it goes on to the screen."""

    def __init__(self, placeholder: str) -> None:
        super().__init__(placeholder=placeholder, max_length=_MOST)
        self.cursor_blink = False  # a terminal that takes nothing is drawn nothing

    def on_key(self, event: events.Key) -> None:
        """Keep the input from taking a first space."""
        if event.key == "space" and not self.value:
            event.prevent_default()


class LiveScreen(App[None]):
    """A screen. What one of its own adds:

    `take(now)` the newest picture; `drawing(columns, rows)`; `stop()` calls STOP; `press(key)` any other key; `opened(key)`
    a key while something lies open, True if it was for that; `sounding()` what is to be heard.
    """

    CSS = (
        "Screen { layers: below above; } Input { layer: above; dock: bottom; height: 1; border: none; display: none; }"
    )
    ENABLE_COMMAND_PALETTE = False
    AUTO_FOCUS = ""
    TITLE = "inchwatch"
    redraw_s = REDRAW_S
    typing = ""
    """What stands in the line in which a person types, until something is typed; "" where nothing ever is."""

    def __init__(self, frame: Frame, **how: Unpack[How]) -> None:
        """Raises BadCommand where `sound` is no command line."""
        super().__init__()
        self.day = False
        self._frame, self._for_s, self._clock = frame, how.get("for_s"), how.get("clock", time.monotonic)
        self._sound = Sound(self._ring, bell=how.get("bell", True), command=how.get("sound"))
        self._question: Question | None = None
        self._fresh = self._clock()
        self._said_until = 0.0
        self._answered_ns = -1

    def take(self, now: float) -> None:
        """Take the newest picture."""
        raise NotImplementedError

    def drawing(self, columns: int, rows: int) -> list[Line]:
        """The whole screen: exactly `rows` lines of exactly `columns` cells."""
        raise NotImplementedError

    def stop(self) -> None:
        """Call STOP, at once."""
        raise NotImplementedError

    def press(self, key: str) -> None:
        """Any key but the space bar, while nothing is asked and nothing lies open."""
        raise NotImplementedError

    def opened(self, key: str) -> bool:
        """A key while something may lie open over the screen; True if it was for that."""
        return False

    def sounding(self) -> list[AlarmPicture]:
        """What is to be heard: the alarms that stand, and as a danger that what is drawn may not be what is."""
        return []

    def typed(self, text: str) -> bool:
        """A person has typed something and kept it. False leaves it where it stands, to be typed again."""
        return not self._on_terminal or takes_more()

    def compose(self) -> ComposeResult:
        """One sheet, and the line in which a person types."""
        yield Sheet(colour=not self.no_color)
        if self.typing:
            yield Typing(self.typing)

    def on_mount(self) -> None:
        """Begin to redraw."""
        if self._on_terminal:
            on_ending(asyncio.get_running_loop(), self.exit, lambda: self.refresh(layout=True))
        self.set_interval(self.redraw_s, self.redraw)
        if self._for_s is not None:
            self.set_timer(self._for_s, self.exit)
        self.sheet.can_focus = False
        self.redraw()

    @property
    def sheet(self) -> Sheet:
        """The sheet everything is drawn on."""
        return self.query_one(Sheet)

    @property
    def note(self) -> Input:
        """The line a person types in."""
        return self.query_one(Input)

    def on_resize(self) -> None:
        """Draw for the new size as soon as it is laid out."""
        self.call_after_refresh(self.redraw)

    def redraw(self) -> None:
        """Take the newest picture and draw it, unless the window is closing and its sheet is gone already."""
        if not self.query(Sheet):
            return
        now = self._clock()
        self.take(now)
        if self._question is not None:
            self._frame.message, self._frame.message_role = self._question.text(), Role.UNKNOWN
        elif now > self._said_until:
            self._frame.message = ""
        if news := self._sound.hear(self.sounding(), now):
            self.say(news, Role.UNKNOWN)
        if self._takes_more():
            self.sheet.show(self.drawing(self.size.width, self.size.height), day=self.day)

    @property
    def _on_terminal(self) -> bool:
        return not (self.is_headless or self.is_web)

    def _takes_more(self) -> bool:
        """Whether anything may be drawn now; else nothing waits for it but what is seen."""
        return not self._on_terminal or takes_more()

    def _ring(self) -> None:
        if self._takes_more():
            self.bell()

    def on_unmount(self) -> None:
        """Be silent once the window closes."""
        self._sound.close()

    def hear(self, answer: Answer | None) -> None:
        """What the engine answered to the last action, said once."""
        if answer is not None and answer.time_ns != self._answered_ns:
            self._answered_ns = answer.time_ns
            self.say(
                answer.text if answer.ok else f"REFUSED: {answer.text}", Role.STRONG if answer.ok else Role.UNKNOWN
            )

    def say(self, text: str, role: Role = Role.STRONG) -> None:
        """Say something in the last line for a while."""
        self._frame.message, self._frame.message_role = text, role
        self._said_until = self._clock() + _SAID_S

    def ask(self, key: str, text: str, yes: Callable[[], None]) -> None:
        """Ask once before what cannot be undone."""
        self._question = Question(key, lambda: f"{text}: {key} again does it, any other key leaves it", yes)

    def on_key(self, event: events.Key) -> None:
        """A key: STOP before anything else, then the answer to a question, then what lies open, then the rest."""
        if self.typing and self.note.display:
            self._while_typing(event)
            return
        event.stop()
        event.prevent_default()
        if event.key == "space":
            self._question = None
            self.stop()
        elif self._question is not None:
            self._answer(self._question, event.key)
        elif self._frame.help:
            self._frame.help = False
        elif not self.opened(event.key):
            self.press(event.key)
        self.redraw()

    def _while_typing(self, event: events.Key) -> None:
        """Spaces are spaces, but for one before anything else: that calls STOP."""
        if event.key == "escape":
            self.close_note()
        elif event.key == "space" and not self.note.value:
            event.stop()
            event.prevent_default()
            self.stop()
            self.redraw()

    def _answer(self, question: Question, key: str) -> None:
        if key in ("up", "down") and question.nudge is not None:
            question.nudge(1 if key == "up" else -1)
            return
        if key in ("left", "right") and question.turn is not None:
            question.turn(1 if key == "right" else -1)
            return
        self._question = None
        if key == question.key:
            question.yes()
        else:
            self.say("left as it was")

    def turn(self) -> None:
        """Light or dark."""
        self.day = not self.day

    def open_help(self) -> None:
        """Every key and the cautions, until the next key."""
        self._frame.help = True

    def open_note(self) -> None:
        """Let a person type."""
        self.note.display = True
        self.note.focus()

    def close_note(self) -> None:
        """No more typing; what was not kept is gone."""
        self.note.value = ""
        self.note.display = False
        self.set_focus(None)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Enter was pressed in the line a person types in."""
        text = event.value.strip()
        if not text or self.typed(text):
            self.close_note()
