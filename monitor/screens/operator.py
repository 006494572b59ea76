"""The operator's screen as a program: ten times a second it takes the newest picture, draws it, and minds the keys.

It knows nothing of ports, engine or journal; a feed gives it pictures and takes its actions.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from math import hypot
from typing import Unpack

from monitor import quantities as show
from monitor.engine.picture import AlarmPicture, AlarmState, Picture, Priority
from monitor.screens import board
from monitor.screens.feed import Feed, told_by
from monitor.screens.frame import distrust
from monitor.screens.ink import Line
from monitor.screens.kept import Heads, Minute
from monitor.screens.layout import View, alarm_rows, operator
from monitor.screens.live import STOPPED_S, How, LiveScreen, Question
from monitor.screens.sound import to_hear

_HISTORY = 600
_CRIB_STEP_M = {"metric": 0.005, "us": 0.0254 / 4}


class OperatorScreen(LiveScreen):
    """The operator's screen on a feed. `card`: the cautions stand over the numbers until a key is pressed, and with them what
    else is `told` at the start."""

    typing = "note: enter keeps it, escape leaves it; then space calls STOP again"

    def __init__(self, feed: Feed, *, card: bool = False, told: str = "", **how: Unpack[How]) -> None:
        self._view = View(feed.rig, feed.recording, card=card, told=told)
        super().__init__(self._view, **how)
        self.feed = feed
        self.picture: Picture | None = None
        self._history: deque[tuple[int, float | None]] = deque(maxlen=_HISTORY)
        self._heads, self._minute = Heads(), Minute()
        self._view.trails, self._view.trends = self._heads.trails, self._minute.values
        self._crib_m = 0.0
        self._chosen = 0

    def take(self, now: float) -> None:
        """The newest picture, the last minute, and whether the pictures still come."""
        latest = self.feed.latest()
        if latest is not None and latest is not self.picture:
            self.picture, self._fresh = latest, now
            self._remember(latest)
            self.hear(latest.answer)
        self._view.history = [it for it in self._history if latest and latest.time_ns - it[0] <= 60_000_000_000]
        age = now - self._fresh
        self._view.stopped_s = age if self.picture is not None and age > STOPPED_S else None
        self._view.trouble = told_by(self.feed, "trouble")
        self._view.recording = self.feed.recording

    def _remember(self, picture: Picture) -> None:
        """The rise of every picture; twice a second the tilt and the pressures, and where every head stands."""
        self._history.append((picture.time_ns, picture.load.rise_m))
        self._heads.take(picture)
        x, y = picture.load.tilt_x_rad, picture.load.tilt_y_rad
        self._minute.take(
            picture,
            {
                "tilt": None if x is None or y is None else hypot(x, y),
                **{bag.name: bag.pressure_pa for stack in picture.stacks for bag in stack.bags},
            },
        )

    def drawing(self, columns: int, rows: int) -> list[Line]:
        """The screen at this size."""
        return operator(self.picture, self._view, columns, rows)

    def sounding(self) -> list[AlarmPicture]:
        """The alarms, and that the pictures have stopped."""
        return to_hear(self.picture, distrust(self._view))

    def stop(self) -> None:
        """STOP, signed by this screen."""
        self._view.card = False
        self.feed.send("stop", reason="operator's screen")

    def typed(self, text: str) -> bool:
        """A note was typed."""
        self.feed.send("note", text=text)
        return True

    def opened(self, key: str) -> bool:
        """A key while the card of the start or the checklist is shown."""
        if self._view.card:
            self._view.card = False
            return key != "question_mark"  # the card says that it lists every key
        if self._view.item is None:
            return False
        self._list(self._view.item, key)
        return True

    def press(self, key: str) -> None:
        """One key, one deed."""
        picture = self.picture
        keys: dict[str, Callable[[], None]] = {
            "a": self._acknowledge,
            "b": lambda: self.ask("b", "Back to the step before", lambda: self.feed.send("back")),
            "c": lambda: self.ask("c", "Clear STOP", lambda: self.feed.send("clear-stop")),
            "h": self._shelve,
            "i": self._isolate,
            "k": self._crib,
            "l": self._open_list,
            "m": self.open_note,
            "n": self._next,
            "q": lambda: self.ask("q", "Quit: nobody watches then", self.exit),
            "r": self._reset,
            "t": self.turn,
            "u": self._unlock,
            "x": lambda: self.ask("x", "Abandon the plan", lambda: self.feed.send("abandon")),
            "z": self._zero,
            "question_mark": self.open_help,
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
            self.say("no new alarm")
        else:
            self.feed.send("acknowledge", rule=first.rule, about=first.about)

    def _shelve(self) -> None:
        assert self.picture is not None, "keys wait for a picture"
        shown = board.shown_alarms(self.picture, alarm_rows(self.size.height))
        first = next((alarm for alarm in shown if alarm.priority is not Priority.DANGER), None)
        if first is None:
            self.say("nothing to shelve: a danger never is" if shown else "nothing to shelve")
        else:
            self.feed.send("shelve", rule=first.rule, about=first.about, for_s=60.0)

    def _reset(self) -> None:
        """The top alarm among those shown that is gone and seen, and still there: it is latched."""
        assert self.picture is not None, "keys wait for a picture"
        shown = board.shown_alarms(self.picture, alarm_rows(self.size.height))
        first = next((it for it in shown if it.state is AlarmState.ACKNOWLEDGED and not it.active), None)
        if first is None:
            self.say("nothing to reset: a latched alarm is, once it is gone and was seen")
        else:
            self.feed.send("reset", rule=first.rule, about=first.about)

    def _zero(self) -> None:
        assert self.picture is not None, "keys wait for a picture"
        if self.picture.zero.taken_ns is None:
            self.feed.send("zero")
        else:
            self.ask("z", "Measure anew, the plan from its start", lambda: self.feed.send("zero"))

    def _next(self) -> None:
        assert self.picture is not None, "keys wait for a picture"
        step = self.picture.step
        do = "" if step is None else self.picture.steps[step.number - 1].do
        waits = do in ("work", "check") or (do == "vent" and step is not None and step.progress is None)
        if step is None or step.done or waits:
            self.feed.send("next")
        else:
            self.ask("n", f"The stop is not reached, {step.left}", lambda: self.feed.send("next"))

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
            choose = ", ←→ place" if len(places) > 1 else ""
            at = f"{places[self._chosen][0]}, {show.length(self._crib_m, units)}"
            return f"Cribbing packed at {at}? k again marks it, ↑↓ height{choose}"

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
            self.say("this rig has no shores")

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


def run_operator(feed: Feed, *, told: str = "", **how: Unpack[How]) -> None:
    """Show the operator's screen until it is quit, or `for_s` seconds have passed. The cautions stand on it at every start."""
    OperatorScreen(feed, card=True, told=told, **how).run()
