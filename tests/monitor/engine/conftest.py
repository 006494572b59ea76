"""A lift made of numbers: readings straight into the engine, without wires. All of it is invented.

`Lift` holds a truth in closed form (a slab turning about its hinge, two bags in series) that shares nothing with the
estimator, so that an engine test says in one line what the crew does and looks at what the engine makes of it.
"""

from __future__ import annotations

import itertools
import random
import tomllib
from collections import deque
from collections.abc import Callable, Iterator
from copy import deepcopy
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from math import asin, ceil, sin
from typing import Any

import pytest

from drivers.reading import Quality, Reading
from monitor.engine.engine import Engine
from monitor.engine.picture import AlarmState, Picture
from monitor.engine.sequence import Sequence
from monitor.live.hand import presses
from monitor.rig.schema import Rig
from replay.entries import Action, Notice, Tick

from .hand_made import BEGUN

FORCE_N = 32_000.0
RATE_HZ = 20


def rig_document() -> dict:
    """The example rig as plain TOML."""
    return tomllib.loads(files("monitor.drill").joinpath("rigs/yard-panel.toml").read_text(encoding="utf-8"))


@pytest.fixture
def document() -> dict:
    return rig_document()


@pytest.fixture
def rig(document: dict) -> Rig:
    return Rig.model_validate(document)


def _ns(count: int) -> int:
    return count * 1_000_000_000 // RATE_HZ


@dataclass
class Moment:
    """What is true at one moment: rise at the stack head, pressures, mid-plate tilt beyond half the load's, gaps."""

    rise: float = 0.0
    lower: float = 0.0
    upper: float = 0.0
    roll: float = 0.0
    cross: float = 0.0
    gap_n1: float = 0.001
    gap_n2: float = 0.001
    air_n1: float = 1.8e5
    silent: tuple[str, ...] = ()
    offset: dict[str, float] = field(default_factory=dict)
    quality: Quality = Quality.GOOD
    said: dict[str, Quality] = field(default_factory=dict)


class Lift:
    """Plays a script of moments into an engine and keeps every picture.

    As far as its first script is the clean one, it takes over what another lift has played already (`CleanLift`).
    """

    def __init__(self, rig: Rig, *, noise: float = 1.0, seed: int = 1, hand: bool = True, engine: Engine | None = None):
        self.rig, self.noise, self.seed, self.hand = rig, noise, seed, hand
        self._engine = engine and self._connected(engine)
        self.random = random.Random(seed)
        self.pictures: list[Picture] = []
        self.count = 0
        self.actions: list[tuple[float, str, dict]] = []

    @property
    def engine(self) -> Engine:
        """The engine. One that was asked for is this lift's own: it may have been told what no other was."""
        if self._engine is None:
            self._engine = self._connected(Engine(self.rig))
        return self._engine

    def _connected(self, engine: Engine) -> Engine:
        for port in self.rig.port:
            engine.note(Notice(0, "link", port.name, False, "connected"))
        return engine

    @property
    def now_ns(self) -> int:
        return _ns(self.count)

    def truth(self, moment: Moment) -> dict[str, float]:
        """What each channel would read without noise."""
        theta = asin(moment.rise / 4.2)

        def at(x: float, y: float) -> float:
            return x * sin(theta) + y * sin(moment.cross)

        values = {
            "S1-lower-p": moment.lower,
            "S1-upper-p": moment.upper,
            "N1-p": moment.air_n1,
            "N2-p": 1.8e5,
            "H1": 0.30 + at(4.7, 1.2),
            "H2": 0.31 + at(4.7, -1.2),
            "H3": 0.20 + at(1.0, 0.0),
            "N1-ext": 0.10 + max(0.0, at(4.6, 1.0) - moment.gap_n1) if moment.rise else 0.10,
            "N2-ext": 0.10 + max(0.0, at(4.6, -1.0) - moment.gap_n2) if moment.rise else 0.10,
            "load-x": theta,
            "load-y": moment.cross,
            "S1-head-x": theta,
            "S1-head-y": moment.cross,
            "S1-mid-x": theta / 2.0 + moment.roll,
            "S1-mid-y": moment.cross / 2.0,
        }
        return {name: value + moment.offset.get(name, 0.0) for name, value in values.items()}

    def step(self, moment: Moment) -> Picture:
        """One twentieth of a second: every channel reads once, the clock ticks, the hand presses."""
        now = self.now_ns
        values = self.truth(moment)
        for channel in self.rig.channel:
            if channel.name in moment.silent or channel.name not in values:
                continue
            value = values[channel.name] + self.noise * self.random.gauss(0.0, channel.noise or 0.0)
            self.engine.accept(
                Reading(channel.name, self.count, now, None, value, moment.said.get(channel.name, moment.quality))
            )
        return self.tick()

    def tick(self) -> Picture:
        """The clock ticks; no sensor says anything."""
        picture = self.engine.tick(Tick(self.now_ns))
        self.pictures.append(picture)
        if self.hand and (press := presses(picture)) is not None:
            self.engine.act(Action(self.now_ns, press[0], press[1], "automatic"))
        self.count += 1
        return picture

    def play(self, script: Callable[[float], Moment], seconds: float) -> Picture:
        """Play a script (of the time since the first call) for so long; returns the last picture."""
        foreseen: deque[Moment] = deque()
        if self._engine is None and (self.noise, self.seed, self.hand, self.rig) == _clean_lift().terms:
            foreseen = self._take_over(script, ceil(seconds * RATE_HZ))
        while self.now_ns < seconds * 1e9:
            self.step(foreseen.popleft() if foreseen else script(self.now_ns * 1e-9))
        return self.pictures[-1]

    def _take_over(self, script: Callable[[float], Moment], most: int) -> deque[Moment]:
        """Go as far as a script is the clean one, or a little less, by what is known of that; the moments from there on."""
        known = _clean_lift()
        foreseen = [script(_ns(0) * 1e-9)]
        while foreseen[-1] == known.moment(len(foreseen) - 1) and len(foreseen) < most:
            foreseen.append(script(_ns(len(foreseen)) * 1e-9))
        self._engine, drawn, self.pictures = known.at(len(foreseen) - 1)
        self.count = len(self.pictures)
        self.random.setstate(drawn)
        return deque(foreseen[self.count :])

    def act(self, do: str, **details: object) -> Picture:
        """A person does something; the next picture answers."""
        self.engine.act(Action(self.now_ns, do, details))
        return self.tick()

    def raised(self) -> list[tuple[str, str, str]]:
        """(rule, about, priority) of everything that was raised, in order."""
        return [
            (t.alarm.rule, t.alarm.about, t.alarm.priority.word)
            for picture in self.pictures
            for t in picture.transitions
            if t.alarm.state is AlarmState.UNACKNOWLEDGED and t.alarm.raised_ns == t.time_ns
        ]

    def when(self, rule: str, priority: str) -> float | None:
        """When a rule was first raised at a priority, in seconds."""
        return next(
            (
                t.time_ns * 1e-9
                for picture in self.pictures
                for t in picture.transitions
                if (t.alarm.rule, t.alarm.priority.word) == (rule, priority)
            ),
            None,
        )


def area(height: float) -> float:
    """Effective area of either bag (m^2) from its data plate, for the truth's own use."""
    plate = [(0.12, 96e3), (0.25, 92e3), (0.40, 84e3), (0.52, 70e3)]
    for (h0, f0), (h1, f1) in itertools.pairwise(plate):
        if height <= h1:
            return (f0 + (height - h0) / (h1 - h0) * (f1 - f0)) / 8e5
    return plate[-1][1] / 8e5


def clean(t: float) -> Moment:
    """The plan as it should go: rest 3 s, upper bag to 61 mm, lower bag to 151 mm, hold, down again from 62 s."""
    it = Moment()
    if t < 3.0:
        return it
    if t < 6.0:
        it.upper = 2.667e5 * (t - 3.0) / 3.0
        return it
    by_upper = min(0.0612, 0.006 * (t - 6.0)) - min(0.0612, 0.006 * max(0.0, t - 80.0))
    it.upper = FORCE_N / area(0.12 + by_upper) if by_upper > 0.0 or t < 80.0 else max(0.0, 2.6e5 - 1e5 * (t - 91.0))
    if t < 19.0:
        it.rise = by_upper
        return it
    if t < 22.0:
        it.lower, it.rise = 2.667e5 * (t - 19.0) / 3.0, by_upper
        return it
    by_lower = max(0.0, min(0.09, 0.006 * (t - 22.0)) - 0.006 * max(0.0, t - 62.0))
    it.lower = FORCE_N / area(0.12 + by_lower) if by_lower > 0.0 or t < 62.0 else max(0.0, 2.6e5 - 1e5 * (t - 77.0))
    it.rise = by_upper + by_lower
    return it


EVERY = 50
"""Steps of the clean lift from one keeping of its state to the next."""


class CleanLift:
    """The clean script, played once and as far as anybody needed it, with its state kept on the way.

    An engine is a function of its entries: where the same was read since the beginning, it stands the same.
    """

    def __init__(self) -> None:
        self._lift = it = Lift(Rig.model_validate(rig_document()))
        self.terms = it.noise, it.seed, it.hand, it.rig
        self._moments: list[Moment] = []
        self._kept = [self._copy(self._lift.engine)]
        self._drawn = [self._lift.random.getstate()]

    def moment(self, count: int) -> Moment:
        """What is true at a step."""
        while len(self._moments) <= count:
            self._moments.append(clean(_ns(len(self._moments)) * 1e-9))
        return self._moments[count]

    def at(self, count: int) -> tuple[Engine, Any, list[Picture]]:
        """An engine as it stood after so many steps or a little before, what was drawn for its noise, and its pictures."""
        at = count // EVERY
        while len(self._kept) <= at:
            self._lift.step(self.moment(self._lift.count))
            if self._lift.count % EVERY == 0:
                self._kept.append(self._copy(self._lift.engine))
                self._drawn.append(self._lift.random.getstate())
        return self._copy(self._kept[at]), self._drawn[at], self._lift.pictures[: at * EVERY]

    def _copy(self, engine: Engine) -> Engine:
        # A book tells rules apart by which they are: each engine has the very same ones.
        return deepcopy(engine, {id(it): it for it in (self._lift.rig, *engine.watch.book._rules)})


@cache
def _clean_lift() -> CleanLift:
    return CleanLift()


@pytest.fixture
def lift(rig: Rig) -> Lift:
    return Lift(rig)


@pytest.fixture
def clean_script() -> Callable[[float], Moment]:
    return clean


@pytest.fixture
def moment() -> type[Moment]:
    return Moment


@pytest.fixture
def new_lift(rig: Rig) -> Iterator[Callable[..., Lift]]:
    return lambda **kwargs: Lift(kwargs.pop("rig", rig), **kwargs)


@pytest.fixture
def new_plan(document):
    """A plan by itself, of such steps: two stacks S1 and S2 of two bags, shores N1 to N4 of 1 mm lock pitch."""

    def make(*steps: dict, begun: bool = True, units: str = "metric", pitch: dict[str, str] | None = None) -> Sequence:
        second = deepcopy(document["stack"][0])
        second["name"] = "S2"
        for bag in second["bag"]:
            bag["name"] = bag["name"].replace("S1", "S2")
        shores = [{**document["shore"][0], "name": f"N{k}"} for k in (1, 2, 3, 4)]
        for shore in shores:
            shore["lock_pitch"] = (pitch or {}).get(shore["name"], "1 mm")
        changed = {"stack": [document["stack"][0], second], "shore": shores, "step": list(steps)}
        sequence = Sequence(Rig.model_validate({**document, **changed, "rig": {"name": "x", "units": units}}))
        if begun:
            sequence.start(BEGUN)
        return sequence

    return make
