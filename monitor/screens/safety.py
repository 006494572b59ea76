"""The safety officer's screen as a program: what could hurt somebody now, and the space bar that stops it.

STOP is sent the moment the space bar is pressed; then its reason may be typed, and goes after it as a second STOP, so that every
screen says why. The screen is for watching: it changes nothing else. What became of the call is shown until STOP is seen to stand.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Unpack

from monitor.engine.picture import AlarmPicture, Picture
from monitor.screens import board
from monitor.screens.feed import Feed, told_by
from monitor.screens.frame import distrust
from monitor.screens.ink import Line
from monitor.screens.kept import Heads, Minute
from monitor.screens.live import STOPPED_S, How, LiveScreen
from monitor.screens.safetyboard import SafetyView, safety
from monitor.screens.sound import to_hear

SIGNED = "safety officer's screen"


class Officer:
    """What a safety officer sees of one rig, and does about it; without a window, so that other screens can hold it too."""

    def __init__(self, feed: Feed, clock: Callable[[], float], back: str = "") -> None:
        self.feed = feed
        self.picture: Picture | None = None
        self.view = SafetyView(feed.rig, feed.recording, back=back)
        self._fresh, self._clock = clock(), clock
        self._heads, self._minute = Heads(), Minute()
        self.view.trails = self._heads.trails
        self._called: float | None = None
        self._chosen: tuple[str, str] | None = None
        self._stood = False

    def take(self, now: float) -> bool:
        """The newest picture, the trails, what may be doubted, what became of the call. True once a STOP that stood is cleared."""
        latest, view = self.feed.latest(), self.view
        if latest is not None and latest is not self.picture:
            self.picture, self._fresh = latest, now
            self._heads.take(latest)
            self._minute.take(latest, {"fall": latest.fall_m})
            view.falls = self._minute.values["fall"]
        age = now - self._fresh
        view.rig, view.recording, view.old_s = self.feed.rig, self.feed.recording, age
        view.stopped_s = age if self.picture is not None and age > STOPPED_S else None
        view.trouble, view.call = told_by(self.feed, "trouble"), told_by(self.feed, "call_state")
        stood, self._stood = self._stood, self.picture is not None and self.picture.stop_called is not None
        if self._stood and not distrust(view):
            self._called = None
        view.called_s = None if self._called is None else now - self._called
        view.chosen = self._place()
        return stood and not self._stood

    def stop(self, reason: str = SIGNED) -> None:
        """STOP, at once; with a reason later."""
        self._called = self._clock()
        self.feed.send("stop", reason=reason)

    def key(self, key: str) -> bool:
        """A key that chooses an alarm, or leaves it; True if it was one."""
        standing = self._standing()
        at = self._place()
        if key in ("up", "down") and standing:
            way = 1 if key == "down" else -1
            at = (0 if way > 0 else len(standing) - 1) if at is None else at + way
            chosen = standing[min(max(0, at), len(standing) - 1)]
            self._chosen = chosen.rule, chosen.about
        elif key == "escape" and self._chosen is not None:
            self._chosen = None
        else:
            return False
        self.view.chosen = self._place()
        return True

    def _standing(self) -> list[AlarmPicture]:
        return [] if self.picture is None else board.announced(self.picture)

    def _place(self) -> int | None:
        """Where the chosen alarm stands now; it stays chosen when others come before it, and is left when it goes."""
        names = [(it.rule, it.about) for it in self._standing()]
        return names.index(self._chosen) if self._chosen in names else None

    def drawing(self, columns: int, rows: int) -> list[Line]:
        """The screen at this size."""
        return safety(self.picture, self.view, columns, rows)

    def sounding(self) -> list[AlarmPicture]:
        """The alarms, until somebody has seen them, and that the pictures cannot be trusted."""
        return to_hear(self.picture, distrust(self.view))


class OfficerScreen(LiveScreen):
    """What the screens that hold an officer share: the reason that is typed after STOP."""

    typing = "STOP is called. Why? enter keeps it, escape leaves it"
    officer: Officer | None

    def called(self) -> None:
        """After STOP: let its reason be typed."""
        self.open_note()

    def typed(self, text: str) -> bool:
        """The reason goes after the STOP, as one that has it. Should it have been cleared meanwhile, it stands again."""
        if self.officer is not None:
            self.officer.stop(text)
        return True


class SafetyScreen(OfficerScreen):
    """The safety officer's screen on a feed."""

    TITLE = "inchwatch safety"

    def __init__(self, feed: Feed, **how: Unpack[How]) -> None:
        self.officer: Officer = Officer(feed, how.get("clock", time.monotonic))
        super().__init__(self.officer.view, **how)

    def take(self, now: float) -> None:
        """The newest picture; the line for a reason shuts once its STOP is cleared."""
        if self.officer.take(now) and self.note.display:
            self.close_note()

    def drawing(self, columns: int, rows: int) -> list[Line]:
        """The screen at this size."""
        return self.officer.drawing(columns, rows)

    def sounding(self) -> list[AlarmPicture]:
        """As the officer has it."""
        return self.officer.sounding()

    def stop(self) -> None:
        """STOP; then a reason may be typed."""
        self.officer.stop()
        self.called()

    def opened(self, key: str) -> bool:
        """The arrows choose an alarm."""
        return self.officer.key(key)

    def press(self, key: str) -> None:
        """One key, one deed."""
        keys: dict[str, Callable[[], None]] = {
            "c": lambda: self.say("STOP is cleared at the operator's screen alone"),
            "a": lambda: self.say("alarms are acknowledged at the operator's screen alone"),
            "q": lambda: self.ask("q", "Quit this screen", self.exit),
            "t": self.turn,
            "question_mark": self.open_help,
        }
        if key in keys:
            keys[key]()


def run_safety(feed: Feed, **how: Unpack[How]) -> None:
    """Show the safety officer's screen until it is quit, or `for_s` seconds have passed."""
    SafetyScreen(feed, **how).run()
