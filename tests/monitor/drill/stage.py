"""Drills played for many tests: what two of them begin with alike is played once, and what one did in truth is seen on the way.

An engine is a function of its entries: where the same was read since the beginning, it stands the same. Most drills of a rig
begin like some other, and what each of them says does not depend on who listens. So a drill is let say all of it first, through
the real decoders; then the monitor goes on from where another drill last stood that had said the same until then.
"""

from __future__ import annotations

import hashlib
import math
import pickle
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files

import pytest

from monitor.debrief.checkpoint import Freezer
from monitor.debrief.verdict import Verdict
from monitor.drill import scenario
from monitor.drill.demo import DEMO_RIG
from monitor.drill.judging import Judgement, judgement
from monitor.drill.offline import Moment, Monitor, moments, play
from monitor.drill.wire import VirtualRig
from monitor.engine.alarms import AlarmBook
from monitor.engine.conditions import Measured
from monitor.engine.picture import Picture
from monitor.engine.watch import Watch
from monitor.rig.load import parse_rig
from monitor.rig.schema import Rig

from ...once import made, once

EVERY = 80
"""Moments from one keeping of a monitor to the next: to keep it costs as much as three moments."""
RATE_OVER_S = 0.5
"""How long the rise rate must last to count (the rule's own delay)."""


@cache
def rig(name: str = "yard-panel") -> Rig:
    return parse_rig(files("monitor.drill").joinpath(f"rigs/{name}.toml").read_text(encoding="utf-8"))


Peaks = dict[str, float]
"""The greatest share of its set limit that each row of the rule table came to."""


class Stage:
    """Monitors that stood somewhere, by all that each had heard until then."""

    def __init__(self) -> None:
        self._kept: dict[bytes, tuple[bytes, bytes]] = {}
        self._freezer = Freezer()
        self.taken_over = 0
        """Moments that were not heard anew."""

    def heard(
        self, rig: Rig, said: list[Moment], on_picture: Callable[[Picture], None] | None = None
    ) -> tuple[Monitor, Peaks]:
        """A monitor that has heard all of this, and the peaks on its way. `on_picture` gets what is not taken over."""
        marks = list(_marks(rig, said))
        begun = next((n for n in reversed(range(len(marks))) if marks[n] in self._kept), None)
        monitor, peaks = Monitor(rig), Peaks()
        if begun is not None:
            engine, rest = self._kept[marks[begun]]
            monitor.engine = self._freezer.thaw(engine)
            monitor.verdict, peaks = pickle.loads(rest)
        at = 0 if begun is None else (begun + 1) * EVERY
        self.taken_over += at
        with _looking_for(peaks):
            for n, moment in enumerate(said[at:], at + 1):
                picture = monitor.hear(moment)
                if on_picture is not None:
                    on_picture(picture)
                if n % EVERY == 0:
                    self._kept[marks[n // EVERY - 1]] = (
                        self._freezer.freeze(monitor.engine),
                        pickle.dumps((monitor.verdict, peaks)),
                    )
        return monitor, peaks


def _marks(rig: Rig, said: list[Moment]) -> Iterator[bytes]:
    """After every so many moments, what stands for all that was said until then."""
    so_far = hashlib.sha256(repr(rig).encode())
    for n, moment in enumerate(said, 1):
        so_far.update(repr(moment).encode())
        if n % EVERY == 0:
            yield so_far.digest()


@contextmanager
def _looking_for(peaks: Peaks) -> Iterator[None]:
    """While it lasts, the book is asked of all that is measured, and what it is asked is kept."""
    look = AlarmBook.look

    def watched(self, rule, about, outcome, now_ns):
        if isinstance(outcome, Measured):
            row = f"{rule.name} {rule.priority.word}"
            peaks[row] = max(peaks.get(row, 0.0), outcome.share / rule.set_at)
        look(self, rule, about, outcome, now_ns)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(AlarmBook, "look", watched)
        patch.setattr(Watch, "_rows", lambda it, _: it._watched)  # every row at every place, and all of it listened to
        yield


@dataclass
class Seen:
    """The most of everything that a drill did to a rig of one stack of two bags, looked at after each step."""

    rise: float = 0.0
    gap: dict[str, float] = field(default_factory=dict)
    rate: float = 0.0
    lean: float = 0.0
    use: float = 0.0
    tilt: float = 0.0
    air: dict[str, float] = field(default_factory=dict)
    uncaptured: float = 0.0
    lower_first: bool = False
    upper_when_lower_opened: float | None = None
    seconds: float = 0.0
    rises: list[float] = field(default_factory=list)
    """At the stack, after each step (m)."""
    leans: list[float] = field(default_factory=list)
    """Of its head, after each step (m)."""
    _captured: float = 0.0
    _rises: deque[float] = field(default_factory=lambda: deque(maxlen=round(RATE_OVER_S / 0.05) + 1))

    def look(self, it: VirtualRig) -> None:
        truth, stack, rises = it.truth, it.rig.stack[0], self._rises
        rise, lean = truth.rise(stack.at), math.hypot(*truth.lean(stack))
        rises.append(rise)
        self.rises.append(rise)
        self.leans.append(lean)
        self.rise = max(self.rise, rise)
        for shore in truth.shores:
            self.gap[shore] = max(self.gap.get(shore, 0.0), truth.gap(shore))
            self.air[shore] = min(self.air.get(shore, math.inf), truth.shores[shore].air)
        if all(truth.gap(shore.name) <= shore.gap_allowed for shore in it.rig.shore):
            self._captured = rise
        self.uncaptured = max(self.uncaptured, rise - self._captured)
        self.rate = max(self.rate, abs(rises[-1] - rises[0]) / RATE_OVER_S if len(rises) == rises.maxlen else 0.0)
        self.lean = max(self.lean, lean / stack.ring)
        self.tilt = max(self.tilt, abs(truth.theta))
        lower, upper = truth.bags["S1-lower"], truth.bags["S1-upper"]
        self.use = max(self.use, *(bag.pressure() / bag.bag.working_pressure for bag in (lower, upper)))
        if lower.filling and self.upper_when_lower_opened is None:
            self.upper_when_lower_opened = rise
            self.lower_first = upper.pressure() < 1000.0
        self.seconds = it.time_ns * 1e-9


STAGE = Stage()
"""For all tests of one process."""
DRAWN = ("leaning", "two-stacks")
"""Drills whose pictures are wanted too: nothing of them is taken over from others."""


@dataclass(frozen=True)
class Sounded:
    """What became of a drill: of what it must sound, of all that sounded, and how near it came to the rest."""

    outcome: Judgement
    verdict: Verdict
    peaks: Peaks
    seen: Seen | None
    """What it did to the usual rig."""
    pictures: tuple[Picture, ...]


def sounded(name: str, seed: int = 1) -> Sounded:
    """A drill judged on its own rig, once in a run of the tests."""
    return once(_called(name, seed), lambda: _sounded(name, seed))


def _called(name: str, seed: int) -> str:
    return f"drill-{name}-{seed}"


def _sounded(name: str, seed: int) -> Sounded:
    it = scenario.load(name)
    virtual, said = VirtualRig(rig(it.rig), it, seed), []
    seen = Seen() if it.rig == scenario.DEFAULT_RIG else None
    for moment in moments(virtual):
        said.append(moment)
        if seen is not None:
            seen.look(virtual)
    pictures: list[Picture] = []
    stage, on_picture = (Stage(), pictures.append) if name in DRAWN else (STAGE, None)
    monitor, peaks = stage.heard(virtual.rig, said, on_picture)
    outcome = judgement(it, monitor.verdict.alarms, virtual.crew.began)
    return Sounded(outcome, monitor.verdict, peaks, seen, tuple(pictures))


def watched(name: str) -> Seen:
    """What a drill of the usual rig does in truth, whatever an engine makes of it. Noise is none of it, so neither is a seed."""
    if made(_called(name, 1)) and (seen := sounded(name).seen) is not None:
        return seen
    return once(f"truth-{name}", lambda: _watched(name))


def _watched(name: str) -> Seen:
    seen, virtual = Seen(), VirtualRig(rig(), scenario.load(name))
    while not virtual.crew.finished:
        virtual.step()
        seen.look(virtual)
    return seen


def on_the_demos_rig(name: str) -> tuple[Verdict, tuple[Picture, ...]]:
    """A drill for the usual panel on the rig of the demo, as `demo` plays it, once in a run of the tests."""
    return once(f"demo-{name}", lambda: _on_the_demos_rig(name))


def _on_the_demos_rig(name: str) -> tuple[Verdict, tuple[Picture, ...]]:
    pictures: list[Picture] = []
    verdict = play(rig(DEMO_RIG), scenario.load(name), on_step=lambda _, picture: pictures.append(picture))
    return verdict, tuple(pictures)
