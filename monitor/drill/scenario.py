"""A drill: what the crew does, what goes wrong, what must sound. Each is a file; this reads it and plays it on the truth.

The crew reacts to the truth, as crews look at a tape and at gauges. Its moves follow one another; each lasts until
what it waits for has come.
"""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Iterator
from importlib.resources import files
from math import hypot
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, ValidationError

from drivers.config import Strict
from drivers.units import Angle, Force, Length, Pressure, Time, UnitError, to_si
from monitor.drill.physics import Truth
from monitor.drill.sensors import Fault, Sensors
from monitor.rig.schema import Rig, Step, Until

OVERSHOOT_M = 0.0015
"""A crew stops a fill this far past the mark: one that stops exactly on it may never be seen to have reached it."""
_TOUCH_M = 0.002
"""How far the load is raised to free the locks before lowering (common practice: at least the lock pitch)."""
_EMPTY_PA = 1000.0
"""A gauge of a crew shows no less (invented)."""
_PATIENCE_S = 300.0
"""A crew gives up on what has not come about by then (invented): a drill ends on any rig, even one that cannot lift."""


class DrillError(Exception):
    """A drill that cannot be played. One sentence: what was found, what is allowed."""


class Must(Strict):
    """What must sound."""

    rule: str
    about: str
    priority: Literal["notice", "caution", "warning", "danger"]


_FAULTS: dict[str, Literal["silent", "frozen", "bias", "drift", "spike", "noisy"]] = {
    "silence": "silent",
    "freeze": "frozen",
    "bias": "bias",
    "drift": "drift",
    "spike": "spike",
    "noisy": "noisy",
}
_AMOUNTS = {
    "slip": "length", "slide": "length", "walk": "length", "crush": "length", "leak": "ratio", "cool": "temperature",
}  # fmt: skip
"""What `by` is of the moves that change the truth."""
_USUAL_SECONDS = {"slip": 0.5, "slide": 5.0, "walk": 5.0, "crush": 5.0, "cool": 60.0}
"""How long such a change takes where a move does not say (invented)."""


class Move(Strict):
    """One move of the crew, or one thing that goes wrong. It lasts until the first of its stops is reached.

    Sensors: `silence`, `freeze`, `bias`, `drift`, `spike`, `noisy` spoil a channel and `restore` mends it. `by` is how
    much, in the channel's own quantity (drift: that much a second; noisy: a plain number, how many times the noise).
    `pressure` is what `air` sets, and a stop of `fill` and `vent`.

    Things that go wrong with load and air go on for `seconds` while the crew's next move begins: `slip`, the top plate of
    `stack` slips on the load by `by` metres `toward` (x, y); `slide`, the load slides over its hinge so that the line of
    no rise goes `by` along it; `walk`, the edge at the hinge crumbles and that line walks as far, the load staying where
    it is; `crush`, the hinge's support sinks by `by`; `cool`, the air in `bag` comes to the temperature `by`. `leak`, at
    once and until `by` 0, is a hole in `bag` as a share of its open vent. `stack` is also where a `rise` is measured:
    else that of the bag, or the first.
    """

    do: Literal[
        "wait", "fill", "vent", "plan", "stick", "free", "release", "lock", "air", "roll",
        "slip", "slide", "walk", "crush", "leak", "cool",
        "silence", "freeze", "bias", "drift", "spike", "noisy", "restore",
    ]  # fmt: skip
    bag: str | None = None
    shore: str | None = None
    stack: str | None = None
    channel: str | None = None
    opening: Annotated[float, Field(gt=0, le=10)] = 1.0
    pressure: Pressure | None = None
    rate: Angle = 0.0
    by: float | str | None = None
    toward: tuple[float, float] = (1.0, 0.0)
    steps: list[int] = []
    seconds: Time | None = None
    rise: Length | None = None
    gap: Length | None = None
    lean: Length | None = None


class TrueLoad(Strict):
    """What the load truly is, where the plan has it wrong."""

    weight: Annotated[Force, Field(gt=0)] | None = None
    centre_of_gravity: tuple[Length, Length, Length] | None = None


class Scenario(Strict):
    """A drill file."""

    name: str
    title: str
    story: str
    truth: TrueLoad = TrueLoad()
    must: list[Must] = []
    move: list[Move]


def names() -> list[str]:
    """The drills that come with the program."""
    folder = files("monitor.drill").joinpath("scenarios")
    return sorted(entry.name.removesuffix(".toml") for entry in folder.iterdir() if entry.name.endswith(".toml"))


def load(name: str) -> Scenario:
    """A drill by name, or from a file. Raises DrillError."""
    path = Path(name)
    try:
        if name in names():
            text = files("monitor.drill").joinpath(f"scenarios/{name}.toml").read_text(encoding="utf-8")
        elif path.suffix == ".toml":
            text = path.read_text(encoding="utf-8")
        else:
            raise DrillError(f"found drill '{name}'; allowed is one of {', '.join(names())}, or a drill file (.toml)")
        return Scenario.model_validate(tomllib.loads(text))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise DrillError(f"{name}: {error}") from None
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise DrillError(f"{name}: {where}: found {first['input']!r}; {first['msg']}") from None


class Crew:
    """Plays a scenario: call `act` once a step of the truth; `finished` once every move is done."""

    def __init__(self, rig: Rig, scenario: Scenario, truth: Truth, sensors: Sensors) -> None:
        self.rig, self.truth, self.sensors = rig, truth, sensors
        self.phase = "rest"
        self.finished = False
        self._at = {stack.name: stack.at for stack in rig.stack}
        self._over = {bag.name: stack.name for stack in rig.stack for bag in stack.bag}
        self._check(scenario)
        self._playing = self._play(scenario)

    def act(self) -> None:
        """Look at the truth and do what comes next."""
        if not self.finished and next(self._playing, "end") == "end":
            self.finished, self.phase = True, "rest"

    def _check(self, scenario: Scenario) -> None:
        """Raise DrillError on a move that this rig, or any, cannot play: better now than in the middle."""
        known: dict[str, Collection[str]] = {
            "bag": self.truth.bags,
            "shore": self.truth.shores,
            "stack": self._at,
            "channel": self.sensors.channels,
        }
        for i, move in enumerate(scenario.move):
            where = f"{scenario.name}: move[{i}]"
            for key, there in known.items():
                name = getattr(move, key)
                if name is not None and name not in there:
                    raise DrillError(f"{where}.{key}: found '{name}'; this rig has {', '.join(there)}")
            needs = _needs(move.do)
            if needs is not None and getattr(move, needs) is None:
                raise DrillError(f"{where}: found no {needs}; '{move.do}' needs one")
            stops = (move.seconds, move.rise, move.gap, move.lean, move.pressure if move.bag else None)
            if move.do in ("wait", "fill", "vent") and all(stop is None for stop in stops):
                raise DrillError(f"{where}: '{move.do}' needs a stop: seconds, rise, gap, lean, or a bag's pressure")
            for number in move.steps:
                if not 1 <= number <= len(self.rig.step):
                    raise DrillError(f"{where}.steps: found {number}; this rig's plan has {len(self.rig.step)} steps")
            if move.do in ("bias", "drift", "spike", "noisy", *_AMOUNTS):
                self._amount(move, where)
            if move.do in ("slide", "walk", "crush") and self.truth.hinge is None:
                raise DrillError(f"{where}.do: found '{move.do}'; this rig's load has no hinge")
            if move.do == "slip" and hypot(*move.toward) == 0.0:
                raise DrillError(f"{where}.toward: found [0, 0]; allowed is a direction, such as [1.0, 0.0]")

    def _amount(self, move: Move, where: str) -> float:
        quantity = _AMOUNTS.get(move.do) or (
            "ratio" if move.do == "noisy" else self.sensors.channels[move.channel or ""].quantity
        )
        try:
            amount = to_si(quantity, move.by)
            if move.do in ("leak", "cool") and amount < 0.0:
                raise UnitError("0 or more")
            return amount
        except UnitError as error:
            raise DrillError(f"{where}.by: found {move.by!r}; allowed is {error}") from None

    def _play(self, scenario: Scenario) -> Iterator[str]:
        for move in scenario.move:
            if move.do == "plan":
                for number in move.steps or range(1, len(self.rig.step) + 1):
                    yield from self._step(self.rig.step[number - 1])
            elif move.do in ("wait", "fill", "vent"):
                yield from self._hold(move)
            else:
                self._once(move)
        yield from self._wait(1.0, "rest")

    def _once(self, move: Move) -> None:
        truth = self.truth
        shores = [truth.shores[move.shore]] if move.shore else list(truth.shores.values())
        if move.do in ("stick", "free"):
            for shore in shores:
                shore.stuck = move.do == "stick"
        elif move.do in ("release", "lock"):
            for shore in shores:
                shore.released = move.do == "release"
        elif move.do == "air":
            for shore in shores:
                shore.air = move.pressure if move.pressure is not None else shore.shore.follow_pressure
        elif move.do == "roll":
            truth.roll_rate = move.rate
        elif move.do in _AMOUNTS:
            self._change(move, self._amount(move, move.do))
        elif move.do == "restore":
            self.sensors.faults.pop(move.channel or "", None)
        elif move.channel is not None:
            amount = 0.0 if move.by is None else self._amount(move, move.channel)
            self.sensors.faults[move.channel] = Fault(_FAULTS[move.do], amount, truth.time_s)

    def _change(self, move: Move, by: float) -> None:
        truth = self.truth
        seconds = _USUAL_SECONDS.get(move.do, 0.0) if move.seconds is None else move.seconds
        if move.do == "leak":
            truth.bags[move.bag or ""].leaking = by
        elif move.do == "cool":
            truth.warm(move.bag or "", by, seconds)
        elif move.do == "slip":
            x, y = move.toward
            truth.slip(move.stack or "", (by * x / hypot(x, y), by * y / hypot(x, y)), seconds)
        else:
            {"slide": truth.slide, "walk": truth.walk, "crush": truth.crush}[move.do](by, seconds)

    def _rise(self, stack: str | None, bag: str | None) -> float:
        """Rise (m) at a stack: the one named, that of a bag, or the first."""
        return self.truth.rise(self._at[stack or self._over.get(bag or "") or self.rig.stack[0].name])

    def _holds(self, name: str) -> bool:
        """Whether there is anything to let out of a bag that would lower it."""
        bag = self.truth.bags[name]
        return bag.height > bag.flat + 1e-4 and bag.pressure() > _EMPTY_PA

    def _hold(self, move: Move) -> Iterator[str]:
        """Do one thing until a stop is reached; the valve it opened is shut at the end."""
        valve = self.truth.bags.get(move.bag or "")
        begun, lean_before = self.truth.time_s, self._lean()
        self.phase = f"{move.do} {move.bag or ''}".strip()
        while not self._reached(move, begun, lean_before):
            if valve is not None:
                valve.filling, valve.venting = (move.opening, 0.0) if move.do == "fill" else (0.0, move.opening)
            yield self.phase
        if valve is not None:
            valve.filling = valve.venting = 0.0

    def _reached(self, move: Move, begun: float, lean_before: float) -> bool:
        truth = self.truth
        rise = self._rise(move.stack, move.bag)
        sign = -1.0 if move.do == "vent" else 1.0
        stops = [
            truth.time_s - begun >= (_PATIENCE_S if move.seconds is None else move.seconds) - 1e-9,
            move.rise is not None and sign * rise >= sign * move.rise,
            move.gap is not None and max((truth.gap(name) for name in truth.shores), default=0.0) >= move.gap,
            move.pressure is not None
            and move.bag is not None
            and sign * truth.bags[move.bag].pressure() >= sign * move.pressure,
            move.lean is not None
            and (self._lean() >= move.lean if move.lean > lean_before else self._lean() <= move.lean),
        ]
        return any(stops)

    def _lean(self) -> float:
        return max(hypot(*self.truth.lean(stack)) for stack in self.rig.stack)

    def _wait(self, seconds: float, phase: str) -> Iterator[str]:
        yield from self._hold(Move(do="wait", seconds=seconds))
        self.phase = phase

    def _step(self, step: Step) -> Iterator[str]:
        """One step of the plan, as a good crew does it."""
        if step.do in ("fill", "vent") and step.bag is not None:
            until = step.until or Until()
            past = OVERSHOOT_M if step.do == "fill" else -OVERSHOOT_M
            rise = None if until.rise is None else until.rise + past
            seconds = 10.0 if rise is None and until.pressure is None else None
            move = Move(do=step.do, bag=step.bag, stack=until.at, rise=rise, pressure=until.pressure, seconds=seconds)
            yield from self._hold(move)
        elif step.do == "hold":
            yield from self._wait((step.for_ or 0.0) + 4.0, "hold")  # surely longer than any clock that times it
        elif step.do == "lower":
            yield from self._lower(step.until.rise if step.until and step.until.rise is not None else 0.0)
        else:
            yield from self._wait(3.0, step.do)

    def _lower(self, to: float) -> Iterator[str]:
        """Air to the shores, a touch of rise to free the locks, release, vent in the reverse of filling, lock again.

        Of several stacks the highest is vented next, so that they come down together.
        """
        filled = [step.bag for step in self.rig.step if step.do == "fill" and step.bag is not None]
        last = {self._over[bag]: bag for bag in filled}
        begun = self.truth.time_s
        for stack, bag in last.items():
            yield from self._hold(Move(do="fill", bag=bag, rise=self._rise(stack, None) + _TOUCH_M))
        self._once(Move(do="release"))
        yield from self._wait(1.0, "released")
        while self.truth.time_s - begun < _PATIENCE_S:
            up = [bag for bag in reversed(filled) if self._rise(None, bag) > to + 1e-4 and self._holds(bag)]
            if not up:
                break
            yield from self._hold(Move(do="vent", bag=max(up, key=lambda bag: self._rise(None, bag)), seconds=0.1))
        self._once(Move(do="lock"))
        if to <= 0.0:  # the load rests: let the air out
            for bag in reversed(filled):
                yield from self._hold(Move(do="vent", bag=bag, seconds=5.0))


def _needs(do: str) -> str | None:
    """What a move cannot do without, if anything: the name of a bag, a stack or a channel."""
    if do in ("fill", "vent", "leak", "cool"):
        return "bag"
    if do == "slip":
        return "stack"
    return "channel" if do in (*_FAULTS, "restore") else None
