"""The instructor's screen as a program: walks through a recording by single keys, and draws what it has come to.

It knows nothing of files or engine; what it is fed from makes the pictures (recorded.py). Nothing here acts on a rig, and no
bell sounds: what is shown is over.
"""

from __future__ import annotations

from collections.abc import Callable
from math import inf, isclose
from typing import Unpack

from monitor.engine.picture import Picture
from monitor.screens import otherwise
from monitor.screens.ink import Line, Role
from monitor.screens.kept import Heads, Minute
from monitor.screens.live import How, LiveScreen
from monitor.screens.recorded import Mark, Recorded
from monitor.screens.replayed import SPACE, ReplayView, replayed
from monitor.screens.timebar import clock as in_words

LOOK_S = 0.02
"""How often it is looked whether a picture that was wanted has come."""
SPEEDS = (0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0, inf)
"""Times real time; the last is flat out: every picture, as fast as they are made."""
KINDS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("all events", ("alarm", "step", "action", "notice", "note")),
    ("dangers", ("danger",)),
    ("alarms", ("alarm",)),
    ("steps", ("step",)),
    ("notes", ("note",)),
)
_AS_IT_WAS = 1e-6
"""Share by which a limit that was made larger and smaller again may be off: rounding."""
_SECOND_NS = 1_000_000_000
_PAGE = 10
"""Events that page up and page down pass over in the list."""


class InstructorScreen(LiveScreen):
    """The instructor's screen. `clock` gives seconds: how much time goes by while it plays, and how long a message stays."""

    typing = "note: enter keeps it beside the recording, escape leaves it"

    def __init__(self, recorded: Recorded, **how: Unpack[How]) -> None:
        self._view = ReplayView(recorded.rig, recorded.name, recorded.started)
        self._heads, self._minute = Heads(), Minute()
        self._view.trails = self._heads.trails
        super().__init__(self._view, **how)
        self.recorded = recorded
        self.picture: Picture | None = None
        self.playing = False
        self.at_ns = 0
        """Where one is, or wants to be."""
        self._number = 0
        self._shown = -1
        self._speed = SPEEDS.index(1.0)
        self._kind = 0
        self._sought_ns: int | None = None
        self._reported = ""
        self._before = self._fresh

    def on_mount(self) -> None:
        """Begin at the first picture."""
        self.set_interval(LOOK_S, self._look)
        self.recorded.go(0)

    @property
    def speed(self) -> float:
        """Times real time; infinite: flat out."""
        return SPEEDS[self._speed]

    def _look(self) -> None:
        """Draw a picture that was wanted as soon as it is there; while it plays the next redraw does."""
        latest = self.recorded.latest()
        if not self.playing and latest is not None and latest[0] != self._shown:
            self.redraw()

    def take(self, now: float) -> None:
        """Let time go on, and take the newest picture."""
        passed, self._before = now - self._before, now
        self._come_to_what_was_sought()
        if self.playing and self._sought_ns is None:
            self._go_on(passed)
        latest = self.recorded.latest()
        if latest is not None:
            self._shown, self.picture = latest
            self._heads.take(self.picture)
            self._minute.take(self.picture, {"fall": self.picture.fall_m})
            self._view.falls = self._minute.values["fall"]
        self._tell_of_the_report()
        self._fill_view()

    def drawing(self, columns: int, rows: int) -> list[Line]:
        """The screen at this size."""
        return replayed(self.picture, self._view, columns, rows)

    def _tell_of_the_report(self) -> None:
        """Say how far the report is, and how it ended, once each."""
        if self.recorded.reported != self._reported:
            self._reported = self.recorded.reported
            self.say(self._reported)

    def _fill_view(self) -> None:
        it, view = self.recorded, self._view
        view.at_ns = self.picture.time_ns if self.picture is not None else 0
        view.known_ns = it.times[-1] if it.times else 0
        view.end_ns, view.whole, view.share = it.end_ns, it.whole, it.share
        view.sought_ns, view.stops_at = self._sought_ns, KINDS[self._kind][0]
        view.pace = f"{'▶' if self.playing else '‖ paused'} {speed_in_words(self.speed)}"
        view.times, view.rises, view.marks = it.times, it.rises, it.marks
        view.looked_back = it.looked_back(self._shown) if self._shown >= 0 else (None, None, None)
        view.faults, view.trouble, view.other = it.faults, it.trouble, it.other

    def _come_to_what_was_sought(self) -> None:
        times, sought = self.recorded.times, self._sought_ns
        if sought is not None and times and (self.recorded.whole or times[-1] >= sought):
            self._go_to(sought)

    def _go_on(self, passed_s: float) -> None:
        """Time goes on; it waits where the recording has not been gone through yet."""
        times = self.recorded.times
        if not times:
            return
        last = len(times) - 1
        if self.speed == inf:
            self._number = last
            self.recorded.go(last, through=True)
            self.at_ns = times[max(0, self._shown)]
            ended = self._shown >= last
        else:
            self.at_ns = min(times[-1], self.at_ns + round(passed_s * self.speed * _SECOND_NS))
            self._number = self.recorded.number_at(self.at_ns)
            self.recorded.go(self._number)
            ended = self._number == last
        if ended and self.recorded.whole:
            self.playing = False
            self.say("the end of the recording")

    def _go_to(self, time_ns: int) -> None:
        """To the picture of a time, as soon as the recording has been gone through so far."""
        times = self.recorded.times
        time_ns = max(0, min(time_ns, self.recorded.end_ns))
        if self.recorded.whole or (times and times[-1] >= time_ns):
            self._sought_ns = None
            self._show_number(self.recorded.number_at(time_ns))
            self.at_ns = time_ns
        else:
            self._sought_ns = self.at_ns = time_ns

    def _show_number(self, number: int) -> None:
        times = self.recorded.times
        if not times:
            return
        self._sought_ns = None
        self._number = max(0, min(number, len(times) - 1))
        self.at_ns = times[self._number]
        self.recorded.go(self._number)

    def stop(self) -> None:
        """Nothing is stopped here, which must be answered whatever is shown."""
        self.say(SPACE, Role.UNKNOWN)
        self._view.help, self._view.chosen, self._view.limits = False, None, None

    def opened(self, key: str) -> bool:
        """A key while the list of events, or other limits, are shown."""
        if self._view.chosen is not None:
            self._list(self._view.chosen, key)
        elif self._view.limits is not None:
            self._limit(dict(self._view.limits), key)
        else:
            return False
        return True

    def press(self, key: str) -> None:
        """One key, one deed."""
        keys: dict[str, Callable[[], None]] = {
            "p": self._play,
            "left": lambda: self._step(-1),
            "right": lambda: self._step(1),
            "minus": lambda: self._go_by(-1),
            "plus": lambda: self._go_by(1),
            "equals_sign": lambda: self._go_by(1),
            "comma": lambda: self._go_by(-10),
            "full_stop": lambda: self._go_by(10),
            "pageup": lambda: self._go_by(-60),
            "pagedown": lambda: self._go_by(60),
            "up": lambda: self._faster(1),
            "down": lambda: self._faster(-1),
            "home": lambda: self._go_to(0),
            "end": lambda: self._go_to(self.recorded.end_ns),
            "n": lambda: self._event(1),
            "b": lambda: self._event(-1),
            "f": self._filter,
            "l": self._open_list,
            "m": self.open_note,
            "t": self.turn,
            "q": self.exit,
            "w": self._open_limits,
            "s": self._other_view,
            "r": self.recorded.report,
            "question_mark": self.open_help,
        }
        if key in keys:
            keys[key]()
        elif len(key) == 1 and key in "0123456789":
            self._go_to(self.recorded.end_ns * int(key) // 10)

    def _play(self) -> None:
        times = self.recorded.times
        at_end = self.recorded.whole and self._number >= len(times) - 1
        self.playing = not self.playing
        if self.playing and at_end:
            self._go_to(0)
        if not self.playing:
            self._show_number(self._shown)

    def _step(self, way: int) -> None:
        self.playing = False
        self._show_number(self._number + way)

    def _go_by(self, seconds: int) -> None:
        self._said_until, self._view.message = -inf, ""  # what was said of an event is not so elsewhere
        self._go_to(self.at_ns + seconds * _SECOND_NS)

    def _faster(self, way: int) -> None:
        was_flat_out = self.speed == inf
        self._speed = max(0, min(len(SPEEDS) - 1, self._speed + way))
        if was_flat_out and self.playing:
            self._show_number(self._shown)
        self.say(f"speed {speed_in_words(self.speed)}")

    def _events(self) -> list[Mark]:
        """All that may be gone to, in order of time: with other limits also what rose under them alone."""
        return [mark for mark, _ in otherwise.events(self.recorded.marks, self.recorded.other)]

    def _event(self, way: int) -> None:
        """To the next event, or the one before, by the pictures that first know of them; playing pauses there."""
        what, kinds = KINDS[self._kind]
        marks = [it for it in self._events() if it.kind in kinds or (it.kind == "alarm" and it.word in kinds)]
        if way > 0:
            found = min((it for it in marks if it.number > self._number), key=lambda it: it.number, default=None)
        else:
            found = max((it for it in marks if it.number < self._number), key=lambda it: it.number, default=None)
        if found is not None:
            self._come_to(found)
            return
        if way < 0 or self.recorded.whole:
            self.say(f"{what}: none {'after' if way > 0 else 'before'} this moment")
        else:
            self.say(f"{what}: none yet, {self.recorded.share * 100:.0f} % is gone through: press n again")

    def _come_to(self, mark: Mark) -> None:
        self.playing = False
        self._show_number(mark.number)
        self.say(f"{in_words(mark.time_ns, self.recorded.end_ns)} {mark.text}")

    def _filter(self) -> None:
        self._kind = (self._kind + 1) % len(KINDS)
        self.say(f"n and b stop at {KINDS[self._kind][0]}")

    def _open_list(self) -> None:
        before = [i for i, it in enumerate(self._events()) if it.time_ns <= self.at_ns]
        self._view.chosen = before[-1] if before else 0

    def _list(self, chosen: int, key: str) -> None:
        """A key while the list of events is shown."""
        marks = self._events()
        by = {"up": -1, "down": 1, "pageup": -_PAGE, "pagedown": _PAGE}.get(key)
        if by is not None:
            self._view.chosen = max(0, min(len(marks) - 1, chosen + by))
            return
        self._view.chosen = None
        if key == "enter" and marks:
            self._come_to(marks[min(chosen, len(marks) - 1)])

    def _open_limits(self) -> None:
        other = self.recorded.other
        self._view.limits = dict(other.limits) if other is not None else {}

    def _limit(self, limits: dict[str, float], key: str) -> None:
        """A key while other limits are chosen."""
        own = otherwise.of(self.recorded.rig)
        names = list(own)
        if key in ("up", "down"):
            self._view.limit = (self._view.limit + (1 if key == "down" else -1)) % len(names)
        elif key in ("left", "right"):
            name = names[self._view.limit]
            value = limits.get(name, own[name]) * (otherwise.STEP if key == "right" else 1.0 / otherwise.STEP)
            limits[name] = value
            if isclose(value, own[name], rel_tol=_AS_IT_WAS):
                del limits[name]
            self._view.limits = limits
        else:
            self._view.limits = None
            if key == "enter":
                self.recorded.what_if(limits)
                said = otherwise.changed(self.recorded.rig, limits)
                again = f"runs again under {said}: see under the bar, and l"
                self.say(again if said else "under its own limits alone")

    def _other_view(self) -> None:
        self._view.officer = not self._view.officer
        self.say(f"as the {'safety officer' if self._view.officer else 'operator'} saw it")

    def open_note(self) -> None:
        """A note is of the moment that is shown."""
        self.playing = False
        self._view.typing = True
        super().open_note()

    def close_note(self) -> None:
        """No more typing."""
        self._view.typing = False
        super().close_note()

    def typed(self, text: str) -> bool:
        """A note was typed. One that could not be kept stays in its line."""
        why_not = self.recorded.note(self.at_ns, text)
        self.say(why_not or "note kept beside the recording", Role.UNKNOWN if why_not else Role.STRONG)
        return not why_not


def speed_in_words(speed: float) -> str:
    """A speed as it is read: "x1/4", "x2", "flat out"."""
    if speed == inf:
        return "flat out"
    return f"x1/{1 / speed:.0f}" if speed < 1.0 else f"x{speed:.0f}"


def run_instructor(recorded: Recorded, *, for_s: float | None = None) -> None:
    """Show the instructor's screen until it is ended, or `for_s` seconds have passed."""
    InstructorScreen(recorded, for_s=for_s).run()
