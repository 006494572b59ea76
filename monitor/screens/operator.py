"""The operator's screen as a program: ten times a second it takes the newest picture, draws it, and minds the keys.

It knows nothing of ports, engine or journal; a feed gives it pictures and takes its actions.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from textual import events
from textual.app import App, ComposeResult
from textual.widgets import Input

from monitor import quantities as show
from monitor.engine.picture import AlarmState, Picture, Priority
from monitor.screens import board
from monitor.screens.feed import Feed
from monitor.screens.ink import Role
from monitor.screens.layout import View, alarm_rows, operator
from monitor.screens.sheet import Sheet
from monitor.screens.sound import Sound

REDRAW_S = 0.1
STOPPED_S = 1.0
"""A picture older than this says that the monitor itself has stopped."""
_SAID_S = 5.0
"""How long an answer stays in the last line."""
_HISTORY = 600
_CRIB_STEP_M = {"metric": 0.005, "us": 0.0254 / 4}


@dataclass
class Question:
    """Something asked once: the same key again does it, any other leaves it."""

    key: str
    text: Callable[[], str]
    yes: Callable[[], None]
    nudge: Callable[[int], None] | None = None
    turn: Callable[[int], None] | None = None
    """Up and down nudge, right and left turn, where they mean anything."""


class OperatorScreen(App[None]):
    """The operator's screen. `clock` gives seconds, for how old the picture is and how long a message stays."""

    CSS = (
        "Screen { layers: below above; } Input { layer: above; dock: bottom; height: 1; border: none; display: none; }"
    )
    ENABLE_COMMAND_PALETTE = False
    AUTO_FOCUS = ""
    TITLE = "inchwatch"

    def __init__(
        self,
        feed: Feed,
        *,
        bell: bool = True,
        sound: str | None = None,
        for_s: float | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Raises BadCommand where `sound` is no command line."""
        super().__init__()
        self.feed = feed
        self.picture: Picture | None = None
        self.day = False
        self._for_s, self._clock = for_s, clock
        self._sound = Sound(lambda: self.bell(), bell=bell, command=sound)
        self._view = View(feed.rig, feed.recording)
        self._history: deque[tuple[int, float | None]] = deque(maxlen=_HISTORY)
        self._question: Question | None = None
        self._crib_m = 0.0
        self._chosen = 0
        self._fresh = clock()
        self._said_until = 0.0
        self._answered_ns = -1

    def compose(self) -> ComposeResult:
        """One sheet, and the line in which a note is typed."""
        yield Sheet()
        yield Input(placeholder="note: enter keeps it, escape leaves it; then space calls STOP again")

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

    @property
    def note(self) -> Input:
        """The line a note is typed in."""
        return self.query_one(Input)

    def on_resize(self) -> None:
        """Draw for the new size as soon as it is laid out."""
        self.call_after_refresh(self.redraw)

    def redraw(self) -> None:
        """Take the newest picture and draw it, unless the window is closing and its sheet is gone already."""
        if not self.query(Sheet):
            return
        now = self._clock()
        latest = self.feed.latest()
        if latest is not None and latest is not self.picture:
            self.picture, self._fresh = latest, now
            self._history.append((latest.time_ns, latest.load.rise_m))
            self._hear(latest)
        self._view.history = [it for it in self._history if latest and latest.time_ns - it[0] <= 60_000_000_000]
        age = now - self._fresh
        self._view.stopped_s = age if self.picture is not None and age > STOPPED_S else None
        self._view.recording = self.feed.recording
        if self._question is not None:
            self._view.message, self._view.message_role = self._question.text(), Role.UNKNOWN
        elif now > self._said_until:
            self._view.message = ""
        self._ring(now)
        self.sheet.show(operator(self.picture, self._view, self.size.width, self.size.height))

    def _hear(self, picture: Picture) -> None:
        """What the engine answered to the last action."""
        answer = picture.answer
        if answer is not None and answer.time_ns != self._answered_ns:
            self._answered_ns = answer.time_ns
            self._say(
                answer.text if answer.ok else f"REFUSED: {answer.text}", Role.STRONG if answer.ok else Role.UNKNOWN
            )

    def _say(self, text: str, role: Role = Role.STRONG) -> None:
        self._view.message, self._view.message_role = text, role
        self._said_until = self._clock() + _SAID_S

    def _ring(self, now: float) -> None:
        news = "" if self.picture is None else self._sound.hear(self.picture.alarms, now)
        if news:
            self._say(news, Role.UNKNOWN)

    def on_unmount(self) -> None:
        """Be silent once the window closes."""
        self._sound.close()

    def on_key(self, event: events.Key) -> None:
        """A key: STOP before anything else, then the answer to a question, then the rest."""
        if self.note.display:
            if event.key == "escape":
                self._close_note()
            return
        event.stop()
        event.prevent_default()
        if event.key == "space":
            self._question = None
            self.feed.send("stop", reason="operator's screen")
        elif self._question is not None:
            self._answer(self._question, event.key)
        elif self._view.help:
            self._view.help = False
        elif self._view.item is not None:
            self._list(self._view.item, event.key)
        else:
            self._press(event.key)
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
            self._say("left as it was")

    def _ask(self, key: str, text: str, yes: Callable[[], None]) -> None:
        self._question = Question(key, lambda: f"{text}: {key} again does it, any other key leaves it", yes)

    def _press(self, key: str) -> None:
        picture = self.picture
        keys: dict[str, Callable[[], None]] = {
            "a": self._acknowledge,
            "b": lambda: self._ask("b", "Back to the step before", lambda: self.feed.send("back")),
            "c": lambda: self._ask("c", "Clear STOP", lambda: self.feed.send("clear-stop")),
            "h": self._shelve,
            "i": self._isolate,
            "k": self._crib,
            "l": self._open_list,
            "m": self._open_note,
            "n": self._next,
            "q": lambda: self._ask("q", "Quit: nobody watches then", self.exit),
            "r": self._reset,
            "t": self._turn,
            "u": self._unlock,
            "x": lambda: self._ask("x", "Abandon the plan", lambda: self.feed.send("abandon")),
            "z": self._zero,
            "question_mark": self._help,
        }
        if picture is not None and key in keys:
            keys[key]()
        elif picture is None and key == "q":
            self.exit()

    def _acknowledge(self) -> None:
        """The top alarm among those shown that is new, or gone before it was seen."""
        assert self.picture is not None, "keys wait for a picture"
        waiting = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED)
        shown = board.shown_alarms(self.picture, alarm_rows(self.size.height))
        first = next((alarm for alarm in shown if alarm.state in waiting), None)
        if first is None:
            self._say("no new alarm")
        else:
            self.feed.send("acknowledge", rule=first.rule, about=first.about)

    def _shelve(self) -> None:
        assert self.picture is not None, "keys wait for a picture"
        shown = board.shown_alarms(self.picture, alarm_rows(self.size.height))
        first = next((alarm for alarm in shown if alarm.priority is not Priority.DANGER), None)
        if first is None:
            self._say("nothing to shelve: a danger never is" if shown else "nothing to shelve")
        else:
            self.feed.send("shelve", rule=first.rule, about=first.about, for_s=60.0)

    def _reset(self) -> None:
        """The top alarm among those shown that is gone and seen, and still there: it is latched."""
        assert self.picture is not None, "keys wait for a picture"
        shown = board.shown_alarms(self.picture, alarm_rows(self.size.height))
        first = next((it for it in shown if it.state is AlarmState.ACKNOWLEDGED and not it.active), None)
        if first is None:
            self._say("nothing to reset: a latched alarm is, once it is gone and was seen")
        else:
            self.feed.send("reset", rule=first.rule, about=first.about)

    def _zero(self) -> None:
        assert self.picture is not None, "keys wait for a picture"
        if self.picture.zero.taken_ns is None:
            self.feed.send("zero")
        else:
            self._ask("z", "Measure anew, the plan from its start", lambda: self.feed.send("zero"))

    def _next(self) -> None:
        assert self.picture is not None, "keys wait for a picture"
        step = self.picture.step
        do = "" if step is None else self.picture.steps[step.number - 1].do
        waits = do in ("work", "check") or (do == "vent" and step is not None and step.progress is None)
        if step is None or step.done or waits:
            self.feed.send("next")
        else:
            self._ask("n", f"The stop is not reached, {step.left}", lambda: self.feed.send("next"))

    def _crib(self) -> None:
        assert self.picture is not None, "keys wait for a picture"
        units, load = self.feed.rig.rig.units, self.picture.load
        places = [(it.name, it.at) for it in self.feed.rig.crib] or [(it.name, it.at) for it in self.picture.stacks]
        self._chosen = 0

        def turn(way: int) -> None:
            self._chosen = (self._chosen + way) % len(places)
            x, y = places[self._chosen][1]
            self._crib_m = max(0.0, (load.z_m or 0.0) + (load.a or 0.0) * x + (load.b or 0.0) * y)

        def nudge(way: int) -> None:
            self._crib_m = max(0.0, self._crib_m + way * _CRIB_STEP_M[units])

        def asked() -> str:
            choose = "left and right choose, " if len(places) > 1 else ""
            at = f"{places[self._chosen][0]}, {show.length(self._crib_m, units)}"
            return f"Cribbing packed at {at}: k again marks it, {choose}up and down change it"

        turn(0)
        self._question = Question(
            "k",
            asked,
            lambda: self.feed.send("cribbed", at=places[self._chosen][0], height_m=self._crib_m),
            nudge,
            turn,
        )

    def _isolate(self) -> None:
        """A bag, the one that the monitor asks about first."""
        assert self.picture is not None, "keys wait for a picture"
        asked = [question.about for question in self.picture.questions]
        bags = [bag.name for stack in self.picture.stacks for bag in stack.bags]
        self._choose("i", "off its hose, or on again", sorted(bags, key=lambda bag: bag not in asked), "isolate", "bag")

    def _unlock(self) -> None:
        assert self.picture is not None, "keys wait for a picture"
        shores = [shore.name for shore in self.picture.shores]
        if shores:
            self._choose("u", "released, or locked again", shores, "release", "shore")
        else:
            self._say("this rig has no shores")

    def _choose(self, key: str, what: str, names: list[str], verb: str, word: str) -> None:
        """Ask which of several things an action is about; up and down choose."""
        self._chosen = 0

        def nudge(way: int) -> None:
            self._chosen = (self._chosen - way) % len(names)

        self._question = Question(
            key,
            lambda: f"{names[self._chosen]} {what}: {key} again says so, up and down choose",
            lambda: self.feed.send(verb, **{word: names[self._chosen]}),
            nudge,
        )

    def _open_list(self) -> None:
        assert self.picture is not None, "keys wait for a picture"
        self._view.item = next((i for i, it in enumerate(self.picture.checklist) if not it.ticked), 0)

    def _list(self, chosen: int, key: str) -> None:
        """A key while the checklist is shown."""
        items = self.picture.checklist if self.picture is not None else ()
        if key in ("up", "down") and items:
            self._view.item = (chosen + (1 if key == "down" else -1)) % len(items)
        elif key == "enter" and items:
            self.feed.send("tick", item=str(chosen + 1))
            self._view.item = min(chosen + 1, len(items) - 1)
        else:
            self._view.item = None

    def _turn(self) -> None:
        self.day = not self.day
        self.sheet.set_day(self.day)

    def _help(self) -> None:
        self._view.help = True

    def _open_note(self) -> None:
        self.note.display = True
        self.note.focus()

    def _close_note(self) -> None:
        self.note.value = ""
        self.note.display = False
        self.set_focus(None)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """A note was typed."""
        if event.value.strip():
            self.feed.send("note", text=event.value.strip())
        self._close_note()


def run_operator(feed: Feed, *, bell: bool = True, sound: str | None = None, for_s: float | None = None) -> None:
    """Show the operator's screen until it is quit, or `for_s` seconds have passed. Raises BadCommand."""
    OperatorScreen(feed, bell=bell, sound=sound, for_s=for_s).run()
