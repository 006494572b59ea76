"""What a screen sounds: the terminal's bell, a command of the crew's own, or both, in a pattern for each priority, until
every alarm was acknowledged.

No pattern may be taken for a signal to leave. Kept clear of, from memory of the documents: three short blasts (evacuate),
one of three seconds (all quiet) and a long one with a short one (resume) of FEMA US&R and of INSARAG's guidelines, vol. II;
groups of three in ISO 8201 (evacuate a building) and of four (carbon monoxide, NFPA 72); and ten or more short ones in a
row, the horns of many fire services (common practice, no source). So a pattern is one stroke or two, then quiet, and no haste
puts two groups closer together than `REST_S`: a danger that follows a warning's stroke is drawn at once and waits as long to be
heard. What a command plays is the crew's to choose by the same list.

Sound says that there is something to read. It carries nothing that the screen does not show.
"""

from __future__ import annotations

import os
import shlex
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from monitor.engine.picture import AlarmPicture, AlarmState, Picture, Priority

REST_S = 1.6
"""Between the last stroke of one group and the first of the next, whatever happens."""
_EARLY_S = 0.01
"""A redraw that comes this much early is the one meant; the next would be a tenth late."""
HANGS_S = 10.0
"""A command that runs longer than any signal needs hangs, and is ended."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """A group of strokes, `apart_s` from each other, begun anew every `every_s` seconds."""

    strokes: int
    apart_s: float
    every_s: float


PATTERNS = {
    Priority.DANGER: Pattern(2, 0.4, 2.0),
    Priority.WARNING: Pattern(1, 0.0, 3.0),
    Priority.CAUTION: Pattern(1, 0.0, 20.0),
}
"""A notice is silent."""


def to_hear(picture: Picture | None, distrust: str = "") -> list[AlarmPicture]:
    """The alarms of a picture, and like a danger why it may not be what is ("" while nothing says so): no engine raises that."""
    alarms = list(picture.alarms) if picture is not None else []
    if distrust:
        standing = AlarmState.UNACKNOWLEDGED
        alarms.append(AlarmPicture("monitor", "", Priority.DANGER, standing, True, None, None, None, distrust, ()))
    return alarms


class BadCommand(ValueError):
    """A command line that cannot be taken apart into words. The message says what was found and what is allowed."""


class Sound:
    """Sounds the alarms it hears of. `ring` is one stroke of the bell; `command` is a command line for `Command`.

    Of several alarms the gravest gives the pattern. Whatever was acknowledged, the rest go on; one that is new sounds
    at once, and one that came and went between two pictures sounds one group. While the command cannot be had the bell
    rings in its place, also where `bell` is false: an alarm that nobody hears is worse than a bell nobody wanted.
    """

    def __init__(self, ring: Callable[[], None], *, bell: bool = True, command: str | None = None) -> None:
        """Raises BadCommand."""
        self._ring, self._bell = ring, bell
        self._command = Command(command) if command is not None else None
        self._known: set[tuple[str, str, Priority, int | None]] = set()
        self._passed: AlarmPicture | None = None
        self._pattern: Pattern | None = None
        self._left = 0
        self._due_s = self._quiet_from_s = float("-inf")
        self._told = ""

    def hear(self, alarms: Iterable[AlarmPicture], now_s: float) -> str:
        """What stands at `now_s` (seconds on one clock, never backward); called as often as the screen redraws. Returns at once.

        Returns a sentence to show where the command is in new trouble, else "".
        """
        standing, new = self._sorted(alarms)
        top = max([*standing, *filter(None, [self._passed])], key=lambda it: it.priority, default=None)
        self._take(top, new, now_s)
        if top is not None and now_s >= self._due_s - _EARLY_S:
            self._stroke(top, now_s)
        return self._trouble()

    def close(self) -> None:
        """Be silent from now on; a command that runs is ended."""
        if self._command is not None:
            self._command.close()

    def _sorted(self, alarms: Iterable[AlarmPicture]) -> tuple[list[AlarmPicture], bool]:
        """Those nobody has seen yet that stand, and whether one is new. One that is gone already is kept for one group."""
        standing: list[AlarmPicture] = []
        known: set[tuple[str, str, Priority, int | None]] = set()
        new = False
        for it in alarms:
            if it.priority not in PATTERNS or it.state not in (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED):
                continue
            key = (it.rule, it.about, it.priority, it.raised_ns)
            known.add(key)
            new |= key not in self._known
            if it.state is AlarmState.UNACKNOWLEDGED:
                standing.append(it)
            elif key not in self._known and (self._passed is None or it.priority > self._passed.priority):
                self._passed = it
        self._known = known
        return standing, new

    def _take(self, top: AlarmPicture | None, new: bool, now_s: float) -> None:
        """Choose the pattern. A group that has begun is finished first, so that no two run into one of three."""
        pattern = None if top is None else PATTERNS[top.priority]
        if self._left and pattern is not None:
            return
        if pattern != self._pattern or new:
            soonest = max(now_s, self._quiet_from_s)
            self._due_s = soonest if pattern != self._pattern else min(self._due_s, soonest)
            self._pattern, self._left = pattern, 0

    def _stroke(self, top: AlarmPicture, now_s: float) -> None:
        assert self._pattern is not None, "an alarm to sound has a pattern"
        first = self._left == 0
        if first:
            self._left = self._pattern.strokes
            if self._command is not None:
                self._command.play(top)
        self._left -= 1
        if self._bell or (self._command is not None and self._command.trouble):
            self._ring()
        self._quiet_from_s = now_s + REST_S
        if self._left:
            self._due_s = now_s + self._pattern.apart_s
        else:
            self._due_s = now_s + self._pattern.every_s - self._pattern.apart_s * (self._pattern.strokes - 1)
            self._passed = None

    def _trouble(self) -> str:
        trouble = "" if self._command is None else self._command.trouble
        news = trouble if trouble != self._told else ""
        self._told = trouble
        return news


class Command:
    """Plays alarms by a program of the crew's own: started without a shell, one at a time, in a thread of its own.

    The command line is cut into words once (shlex); then `{priority}`, `{rule}`, `{about}` and `{text}` in a word are
    replaced, so that an alarm's text is never a word or a command of its own. The same four stand in the environment as
    INCHWATCH_PRIORITY and so on. While one runs an alarm as grave is not started again; a graver one ends it.
    """

    def __init__(self, line: str, *, hangs_s: float = HANGS_S) -> None:
        """Raises BadCommand. A program that is not there is no error but `trouble`."""
        self._words = words(line)
        self._hangs_s = hangs_s
        self._changed = threading.Condition()
        self._wanted: AlarmPicture | None = None
        self._running: Priority | None = None
        self._cut = threading.Event()
        self._closed = False
        self._thread: threading.Thread | None = None
        self.trouble = "" if shutil.which(self._words[0]) else self._failed("is not there")
        """A sentence why the command could not be heard when last it was asked, "" while it can."""

    def play(self, alarm: AlarmPicture) -> None:
        """Sound this alarm, unless one as grave is being sounded. Returns at once."""
        with self._changed:
            if self._closed or (self._running is not None and self._running >= alarm.priority):
                return
            if self._thread is None:
                self._thread = threading.Thread(target=self._serve, name="sound", daemon=True)
                self._thread.start()
            self._wanted = alarm
            self._cut.set()
            self._changed.notify()

    def close(self) -> None:
        """End the program that runs, and the thread; waits a second for it at most."""
        with self._changed:
            self._closed = True
            self._cut.set()
            self._changed.notify()
        if self._thread is not None:
            self._thread.join(1.0)

    def _serve(self) -> None:
        while True:
            with self._changed:
                self._running = None
                self._changed.wait_for(lambda: self._wanted is not None or self._closed)
                if self._closed or self._wanted is None:
                    return
                alarm, self._wanted = self._wanted, None
                self._running = alarm.priority
                self._cut.clear()
            self.trouble = self._run(alarm)

    def _run(self, alarm: AlarmPicture) -> str:
        said = {"priority": alarm.priority.name.lower(), "rule": alarm.rule, "about": alarm.about, "text": alarm.text}
        said = {key: _told(text) for key, text in said.items()}
        try:
            process = subprocess.Popen(
                [_filled(word, said) for word in self._words],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                env=os.environ | {f"INCHWATCH_{key.upper()}": value for key, value in said.items()},
                start_new_session=True,
            )
        except FileNotFoundError:
            return self._failed("is not there")
        except OSError as error:
            return self._failed(f"does not start ({(error.strerror or 'no reason given').lower()})")
        ends_s = time.monotonic() + self._hangs_s
        while process.poll() is None and not self._cut.wait(0.05) and time.monotonic() < ends_s:
            pass
        if process.poll() is None:
            _end(process)
            return (
                self.trouble
                if self._cut.is_set()
                else self._failed(f"did not end within {self._hangs_s:g} s and was ended")
            )
        return "" if process.returncode == 0 else self._failed(f"failed with exit code {process.returncode}")

    def _failed(self, how: str) -> str:
        return f"sound: '{os.path.basename(self._words[0])}' {how}; the bell goes on"


def words(line: str) -> list[str]:
    """The words of a command line, the program first. Raises BadCommand."""
    allowed = "allowed is a program with its arguments, such as 'aplay horn.wav'"
    try:
        found = shlex.split(line)
    except ValueError as error:
        raise BadCommand(f"found {line!r} ({str(error).lower()}); {allowed}") from None
    if not found or not found[0] or "\0" in line:
        raise BadCommand(f"found {line!r}; {allowed}")
    return found


def _told(text: str) -> str:
    """A text as a program can be given it: an alarm may come over the network, and no system passes on every sign."""
    return "".join(sign if sign.isprintable() else " " for sign in text)


def _filled(word: str, said: dict[str, str]) -> str:
    """One word of the command line with the alarm's words in it; a text that holds braces is not read again."""
    parts = word.split("{")
    return parts[0] + "".join(
        said[key] + rest if close and key in said else "{" + part
        for part in parts[1:]
        for key, close, rest in [part.partition("}")]
    )


def _end(process: subprocess.Popen[bytes]) -> None:
    """End a program and whatever it started."""
    if sys.platform == "win32":
        process.kill()
    else:
        os.killpg(process.pid, signal.SIGKILL)
    process.wait()
