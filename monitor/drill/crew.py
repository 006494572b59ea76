"""The crew of a drill: plays its moves, one after another, on the truth.

It reacts to the truth, as crews look at a tape and at gauges. Each move lasts until what it waits for has come.
"""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Collection, Iterator
from math import hypot

from drivers.units import UnitError, to_si
from monitor.drill.air import P_ATM
from monitor.drill.faults import DrillError
from monitor.drill.physics import Truth
from monitor.drill.scenario import AMOUNTS, FAULTS, Move, Scenario
from monitor.drill.sensors import Fault, Sensors
from monitor.drill.shore import TrueShore
from monitor.live.typed import BadAction, parse
from monitor.rig.schema import Rig, Step, Until
from replay.entries import Detail

OVERSHOOT_M = 0.0015
"""A crew stops a fill this far past the mark: one that stops exactly on it may never be seen to have reached it."""
_TOUCH_M = 0.002
"""How far the load is raised to free the locks before lowering (common practice: at least the lock pitch)."""
_EMPTY_PA = 1000.0
"""A gauge of a crew shows no less (invented)."""
_PATIENCE_S = 300.0
"""A crew gives up on what has not come about by then (invented): a drill ends on any rig, even one that cannot lift."""
_USUAL_SECONDS = {"slip": 0.5, "slide": 5.0, "walk": 5.0, "crush": 5.0, "cool": 60.0, "drop": 0.5, "burden": 1.0}
"""How long such a change takes where a move does not say (invented)."""


class Crew:
    """Plays a scenario: call `act` once a step of the truth; `finished` once every move is done."""

    def __init__(self, rig: Rig, scenario: Scenario, truth: Truth, sensors: Sensors) -> None:
        self.rig, self.truth, self.sensors = rig, truth, sensors
        self.phase = "rest"
        self.finished = False
        self.began: dict[str, float] = {}
        """When (s) each move that is called something began."""
        self.acts: deque[tuple[str, dict[str, Detail]]] = deque()
        """What persons do at the monitor, and nobody has passed on yet."""
        self.notices: deque[tuple[str, str, bool, str]] = deque()
        """What the world outside says of links and of the monitor itself: kind, about, whether it stands, text."""
        self.unplugged: set[str] = set()
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
            "port": [port.name for port in self.rig.port],
        }
        for i, move in enumerate(scenario.move):
            where = f"{scenario.name}: move[{i}]"
            for key, there in known.items():
                name = getattr(move, key)
                if name is not None and name not in there:
                    raise DrillError(f"{where}.{key}: found '{name}'; this rig has {', '.join(there)}")
            needs = "channel" if move.kind == "calibration" else _needs(move.do)
            if needs is not None and getattr(move, needs) is None:
                raise DrillError(f"{where}: found no {needs}; '{move.do}' needs one")
            stops = (move.seconds, move.rise, move.gap, move.lean, move.pressure if move.bag else None)
            if move.do in ("wait", "fill", "vent") and all(stop is None for stop in stops):
                raise DrillError(f"{where}: '{move.do}' needs a stop: seconds, rise, gap, lean, or a bag's pressure")
            for number in move.steps:
                if not 1 <= number <= len(self.rig.step):
                    raise DrillError(f"{where}.steps: found {number}; this rig's plan has {len(self.rig.step)} steps")
            if move.do in ("bias", "drift", "spike", "noisy", *AMOUNTS):
                self._amount(move, where)
            if move.do in ("slide", "walk", "crush", "tail") and self.truth.hinge is None:
                raise DrillError(f"{where}.do: found '{move.do}'; this rig's load has no hinge")
            if move.do == "act":
                self._action(move, where)
            if move.do == "slip" and hypot(*move.toward) == 0.0:
                raise DrillError(f"{where}.toward: found [0, 0]; allowed is a direction, such as [1.0, 0.0]")

    def _action(self, move: Move, where: str) -> tuple[str, dict[str, Detail]]:
        try:
            return parse(json.dumps(move.action))
        except BadAction as error:
            raise DrillError(f"{where}.action: {error}") from None

    def _amount(self, move: Move, where: str) -> float:
        quantity = AMOUNTS.get(move.do) or (
            "ratio" if move.do == "noisy" else self.sensors.channels[move.channel or ""].quantity
        )
        try:
            amount = to_si(quantity, move.by)
            if move.do in ("leak", "cool", "tail", "drop", "spend") and amount < 0.0:
                raise UnitError("0 or more")
            return amount
        except UnitError as error:
            raise DrillError(f"{where}.by: found {move.by!r}; allowed is {error}") from None

    def _play(self, scenario: Scenario) -> Iterator[str]:
        for move in scenario.move:
            if move.called is not None:
                self.began[move.called] = self.truth.time_s
            if move.do == "plan":
                for number in move.steps or range(1, len(self.rig.step) + 1):
                    yield from self._step(self.rig.step[number - 1])
            elif move.do in ("wait", "fill", "vent"):
                yield from self._hold(move)
            elif move.do == "air" and move.seconds:
                yield from self._turn_up(move)
            else:
                self._once(move)
        yield from self._wait(1.0, "rest")

    def _turn_up(self, move: Move) -> Iterator[str]:
        """Set the air of shores evenly over a time: a hand on a regulator."""
        seconds, begun = move.seconds or 0.0, self.truth.time_s
        before = {shore.shore.name: shore.air for shore in self._shores(move)}
        while (share := (self.truth.time_s - begun) / seconds) < 1.0:
            for shore in self._shores(move):
                to = shore.shore.follow_pressure if move.pressure is None else move.pressure
                shore.air = before[shore.shore.name] + share * (to - before[shore.shore.name])
            yield self.phase
        self._once(move)

    def _shores(self, move: Move) -> list[TrueShore]:
        """The shore that a move names; all without."""
        return [self.truth.shores[move.shore]] if move.shore else list(self.truth.shores.values())

    def _once(self, move: Move) -> None:
        truth = self.truth
        shores = self._shores(move)
        if move.do in ("stick", "free"):
            for shore in shores:
                shore.stuck = move.do == "stick"
        elif move.do in ("release", "lock"):
            for shore in shores:
                (shore.release if move.do == "release" else shore.lock)()
        elif move.do == "air":
            for shore in shores:
                shore.air = move.pressure if move.pressure is not None else shore.shore.follow_pressure
        elif move.do == "roll":
            truth.roll_rate = move.rate
        elif move.do == "regulator":
            for stack in self.rig.stack:
                if move.stack in (None, stack.name):
                    truth.supply[stack.name] = stack.supply if move.pressure is None else move.pressure
        elif move.do == "cast-off":
            truth.tail = None
        elif move.do in ("unhose", "rehose"):
            truth.bags[move.bag or ""].hosed = move.do == "rehose"
        elif move.do in ("unplug", "plug", "trouble", "mend"):
            self._notice(move)
        elif move.do == "act":
            self.acts.append(self._action(move, move.do))
        elif move.do in AMOUNTS:
            self._change(move, self._amount(move, move.do))
        elif move.do == "restore":
            self.sensors.faults.pop(move.channel or "", None)
        elif move.channel is not None:
            amount = 0.0 if move.by is None else self._amount(move, move.channel)
            self.sensors.faults[move.channel] = Fault(FAULTS[move.do], amount, truth.time_s)

    def _notice(self, move: Move) -> None:
        """A cable pulled or put back; the recorder or the queue in trouble or well again."""
        stands = move.do in ("unplug", "trouble")
        if move.port is not None:
            (self.unplugged.add if stands else self.unplugged.discard)(move.port)
            self.notices.append(("link", move.port, stands, "the cable is out" if stands else "connected"))
        elif move.kind is not None:
            said = {
                "recorder": "the disk is full",
                "behind-time": "readings wait 2 s",
                "calibration": "was due 2026-01-01",
            }[move.kind]
            self.notices.append((move.kind, move.channel or "", stands, said))

    def _change(self, move: Move, by: float) -> None:
        truth = self.truth
        seconds = _USUAL_SECONDS.get(move.do, 0.0) if move.seconds is None else move.seconds
        if move.do == "leak":
            truth.bags[move.bag or ""].leaking = by
        elif move.do == "tail":
            truth.tail = by
        elif move.do == "spend":
            truth.spent += by * P_ATM
        elif move.do == "cool":
            truth.warm(move.bag or "", by, seconds)
        elif move.do == "slip":
            x, y = move.toward
            truth.slip(move.stack or "", (by * x / hypot(x, y), by * y / hypot(x, y)), seconds)
        elif move.do == "drop":
            truth.drop(move.shore or "", by, seconds)
        else:
            {"slide": truth.slide, "walk": truth.walk, "crush": truth.crush, "burden": truth.burden}[move.do](
                by, seconds
            )

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
        """Hold the releases, a touch of rise to free the locks, vent in the reverse of filling, lock again.

        Of several stacks the highest is vented next, so that they come down together.
        """
        filled = [step.bag for step in self.rig.step if step.do == "fill" and step.bag is not None]
        last = {self._over[bag]: bag for bag in filled}
        begun = self.truth.time_s
        self._once(Move(do="release"))
        for stack, bag in last.items():
            yield from self._hold(Move(do="fill", bag=bag, rise=self._rise(stack, None) + _TOUCH_M))
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
    """What a move cannot do without, if anything: the name of a bag, a stack, a shore, a port or a channel."""
    if do in ("fill", "vent", "leak", "cool", "unhose", "rehose"):
        return "bag"
    if do in ("unplug", "plug"):
        return "port"
    if do in ("trouble", "mend"):
        return "kind"
    if do == "slip":
        return "stack"
    if do == "drop":
        return "shore"
    return "channel" if do in (*FAULTS, "restore") else None
