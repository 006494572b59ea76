"""Alarms over thousands of lifts: dangers missed, false dangers an hour of clean lifting, and how late the true ones are.

python tests/bench/bench_alarms.py [LIFTS] [WORKERS] [KEEP] [clean]    (2,000 unless said, on all cores; some four seconds
a lift and core. KEEP: a file that holds what each lift came to, from which a run that was cut short goes on; clean: of these
seeds only the clean lifts, the even ones)

Every lift has a rig, rates, noise and a pace of its own (those of bench_lift.py, with two shores), and data plates wrong by a
share of their own. Every other lift is clean: up in four stops, held, and walked down again. In the others one limit is truly
crossed: it counts once the truth stands past it by more than three standard deviations of the estimate for more than a second.
The delay is from the moment the truth crosses the limit itself to the alarm, less the delay in the rule's own row; below zero
where the bound on the estimate sounds it beforehand. A slip counts from when it begins, a walk of the hinge from when it passes
the shift that is no chance. A danger is
false in a clean lift, and in the others before anything has gone wrong. All of it is invented; the truth shares nothing with the
estimator.
"""

import copy
import os
import random
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from math import atan2, cos, hypot, inf, radians, sin, sqrt, tan
from pathlib import Path

from bench_lift import DT, REST_S, SCALE_SD, STOP_S, TICK_S, document
from kept import kept
from lifts import channel

from drivers.reading import Quality, Reading
from monitor.drill.physics import Truth
from monitor.drill.sensors import Sensors
from monitor.engine.engine import Engine
from monitor.engine.picture import AlarmState, Picture, Priority
from monitor.engine.rules import RULES
from monitor.rig.schema import Rig
from replay.entries import Notice, Tick

DANGERS = (
    "lean", "tilt", "cross-tilt", "over-centre", "bag-pressure", "shore-behind", "uncaptured", "slip", "hinge-shift",
)  # fmt: skip
SURELY, SURELY_S = 3.0, 1.0
WATCHED_S = 4.0
"""How long after a limit has surely been crossed its alarm is waited for; later is missed."""
OWN_DELAY = {rule.name: rule.on_s for rule in RULES if rule.priority is Priority.DANGER}
SET_AT = {rule.name: rule.set_at for rule in RULES if rule.priority is Priority.DANGER}
LEAN_SHARE = 0.35
"""How far a load's own turning may carry a head toward its ring in a lift that is not about leaning."""
OVER = 0.9
"""Share of its tip angle past which a load counts as gone over."""
SLIP_M, WALK_M, WALK_SDS = 0.03, 0.10, 4.5
"""How far a head slips and a hinge walks, and of how many standard deviations a shift is no chance."""


def shores(length: float, width: float, area: float) -> tuple[list[dict], list[dict]]:
    """Two shores at the far corners, and their channels."""
    made = [
        {"name": f"N{k}", "at": [0.97 * length, side * 0.42 * width], "extension": f"E{k}", "pressure": f"A{k}",
         "follow_pressure": 1.8e5, "piston_area": area, "lock_pitch": 0.001}
        for k, side in ((1, 1.0), (2, -1.0))
    ]  # fmt: skip
    heard = [channel(it["extension"], "length", 0.0003) for it in made]
    return made, heard + [channel(it["pressure"], "pressure", 1e3) for it in made]


def of_two_bags(rng: random.Random) -> dict:
    """A rig with a plate between two bags: without one neither lean nor slip is seen."""
    while True:
        said = document(rng)
        if len(said["stack"][0]["bag"]) == 2:
            return said


def tall(rng: random.Random) -> dict:
    """A tall narrow load on two low-pressure bags: they are stiff enough to hold it where it all but goes over."""
    said = of_two_bags(rng)
    width, length = 1.0, rng.uniform(1.0, 1.4)
    e, weight = 0.42 * length, rng.uniform(12e3, 20e3)
    most = 2.0 * weight * e / (0.9 * length)
    plate = [[0.08, most], [0.2, 0.96 * most], [0.32, 0.88 * most], [0.42, 0.67 * most]]
    stack = said["stack"][0] | {"at": [0.9 * length, 0.0], "height_at_zero": 0.18, "supply": 1.4e5, "ring": 0.3}
    stack["bag"] = [
        {"name": f"B{i}", "working_pressure": 1.5e5, "height_flat": 0.08, "pressure": f"P{i}", "capacity": plate}
        | ({"plate_tilt": ["MX", "MY"]} if i == 0 else {})
        for i in range(2)
    ]
    edge = [[0.0, -width / 2], [length, -width / 2], [length, width / 2], [0.0, width / 2]]
    said["load"] = {"weight": weight, "centre_of_gravity": [e, 0.0, e / tan(radians(rng.uniform(17.0, 21.0)))],
                    "hinge": [edge[0], edge[3]], "outline": edge}  # fmt: skip
    said["stack"] = [stack]
    for it, at in zip(said["height"], ([0.95 * length, 0.45], [0.95 * length, -0.45], [0.2, 0.0]), strict=True):
        it["at"] = at
    said["limits"]["tilt"] = 1.0
    return said


@dataclass
class Case:
    """What one lift showed. `crossed`: when (s) the truth crossed the limit; `surely` when it counted."""

    seed: int
    danger: str = ""
    crossed: float | None = None
    surely: float | None = None
    sounded: float | None = None
    false: list = field(default_factory=list)
    clean_s: float = 0.0
    over: bool = False
    """The load truly went over though nobody meant it to: bags too soft for a load so tall. Nothing is counted then."""


class Lift:
    """One lift from its seed: a truth, an engine, a crew and what goes wrong."""

    def __init__(self, seed: int) -> None:
        self.rng = rng = random.Random(f"alarms {seed}")
        self.case = Case(seed, DANGERS[seed // 2 % len(DANGERS)] if seed % 2 else "")
        said = self._document()
        load = said["load"]
        length, width = load["outline"][2][0], 2.0 * load["outline"][2][1]
        made, heard = shores(length, width, 3e-4 if self.case.danger == "over-centre" else 28e-4)
        said["shore"], said["channel"] = made, said["channel"] + heard
        said["limits"] |= {"capture_every": 0.025}
        stack, ring = said["stack"][0], said["stack"][0]["ring"]
        arm, flat = stack["at"][0], sum(bag["height_flat"] for bag in stack["bag"])
        reach = sum(bag["capacity"][-1][0] for bag in stack["bag"]) - flat
        turned = min(radians(rng.uniform(4.0, 9.0)), sqrt(2.0 * LEAN_SHARE * ring / arm))
        self.tip = 0.0
        if self.case.danger == "over-centre":
            cg = load["centre_of_gravity"]
            self.tip = turned = atan2(cg[0], cg[2])
        self.goal = min(0.75 * reach, arm * sin(turned))
        true = copy.deepcopy(said)
        for bag in true["stack"][0]["bag"]:
            share = 1.0 + SCALE_SD * rng.gauss(0.0, 1.0)
            bag["capacity"] = [[h, f * share] for h, f in bag["capacity"]]
        self._set_up(said, true, self.goal / arm)
        self.truth, self.engine = Truth(Rig.model_validate(true)), Engine(Rig.model_validate(said))
        if self.case.danger == "bag-pressure":
            self.truth.supply["S1"] = 9.5e5
        if self.tip:
            self.truth.tail = 0.985 * self.tip
        self.rig, self.stack = self.engine.rig, self.engine.rig.stack[0]
        self.sensors = Sensors(self.rig, seed)
        self.stops = [self.goal * k / 4.0 for k in range(1, 5)]
        self.pace, self.opening, self.t = rng.uniform(0.003, 0.009), 0.2, 0.0
        self.stopped_s: float | None = None
        self.up = self.lowering = False
        self.strike: float | None = None
        self.captured = 0.0
        self.least_shift = inf

    def _document(self) -> dict:
        """A rig on which the danger can come about."""
        if self.case.danger == "over-centre":
            return tall(self.rng)
        return of_two_bags(self.rng) if self.case.danger in ("lean", "slip") else document(self.rng)

    def _set_up(self, said: dict, true: dict, turned: float) -> None:
        """Limits and truths that the danger needs. `turned` (rad): how far the load will be."""
        if self.case.danger == "tilt":
            said["limits"]["tilt"] = self.rng.uniform(0.5, 0.8) * turned
        if self.case.danger == "cross-tilt":  # the load turns on another line than the plan has it
            aslant = radians(self.rng.uniform(15.0, 25.0))
            (x0, y0), (x1, y1) = true["load"]["hinge"]
            true["load"]["hinge"] = [[x0 - y0 * tan(aslant), y0], [x1 - y1 * tan(aslant), y1]]
            said["limits"]["cross_tilt"] = self.rng.uniform(0.5, 0.8) * turned * sin(aslant)
        if self.case.danger == "bag-pressure":  # it is stuck: no air lifts it
            true["load"]["weight"] *= 6.0

    # The crew, and what goes wrong

    def crew(self) -> None:
        """One bag after the other, four stops, at an even pace; then, in a clean lift, down on the shores."""
        truth, bags = self.truth, [bag.name for bag in self.stack.bag]
        rise, rate = truth.rise(self.stack.at), truth.rise_rate(self.stack.at)
        if self.stopped_s is None and self.stops and rise >= self.stops[0]:
            self.stops.pop(0)
            self.stopped_s = self.t
        if self.stopped_s is not None and self.t - self.stopped_s > STOP_S:
            self.up, self.stopped_s = not self.stops, None if self.stops else self.stopped_s
        self.opening *= 1.03 if abs(rate) < self.pace else 0.7 if abs(rate) > 1.5 * self.pace else 0.97
        self.opening = min(1.0, max(0.01 if self.tip else 0.03, self.opening))
        tall_enough = (
            b for b in reversed(bags) if truth.bags[b].height < 0.72 * truth.bags[b].bag.capacity[-1][0]
        )  # the upper one first; the foot's bag takes what is left
        at = next(tall_enough, bags[0])
        filling = self.stopped_s is None and not self.up
        for name in bags:
            truth.bags[name].filling = self.opening if filling and name == at else 0.0
            truth.bags[name].venting = 0.0
        if self.up and not self.case.danger and rise > 0.4 * self.goal:
            self._lower(at)

    def _lower(self, touch: str) -> None:
        """A touch of rise, the shores freed, then the bags let down one after another."""
        if not self.lowering:
            self.opening = 0.2
            self.lowering = True
        if self.t - (self.stopped_s or 0.0) < STOP_S + 1.0:
            self.truth.bags[touch].filling = 0.2
            return
        for shore in self.truth.shores.values():
            shore.released = True
        full = [b for b in self.truth.bags.values() if b.height > b.flat + 0.01 and b.pressure() > 1e4]
        if full:
            max(full, key=lambda bag: bag.height).venting = self.opening

    def go_wrong(self) -> None:
        """Bring the danger about, once the load is half up."""
        danger, truth = self.case.danger, self.truth
        if danger in ("tilt", "cross-tilt", "over-centre", "bag-pressure") and self.strike is None:
            self.strike = self.t  # it is on its way from the beginning
        if self.strike is None and len(self.stops) <= 2 and (danger != "lean" or self.stopped_s is not None):
            self.strike = self.t
            self._strike(danger, truth)
        if danger == "lean" and self.strike is not None and self.share(None) > 1.25:
            truth.roll_rate = 0.0

    def _strike(self, danger: str, truth: Truth) -> None:
        way = self.rng.uniform(0.0, 6.28)
        if danger == "lean":
            low, high = (truth.bags[bag.name].height for bag in self.stack.bag)
            truth.roll_rate = -self.rng.uniform(0.003, 0.006) / (0.5 * low + 0.75 * high)
            self.stopped_s = self.t + 60.0  # the crew looks at it
        elif danger == "slip":
            truth.slip("S1", (SLIP_M * cos(way), SLIP_M * sin(way)), 0.5)
        elif danger == "hinge-shift":
            truth.walk(WALK_M, 0.5)
        elif danger == "shore-behind":
            truth.shores["N1"].stuck = True
        elif danger == "uncaptured":
            for shore in truth.shores.values():
                shore.stuck = True

    # How far the truth is gone

    def share(self, picture: Picture | None) -> float:
        """How far the danger's own quantity truly is gone, as a share of its danger limit."""
        truth, limits = self.truth, self.rig.limits
        struck = self.strike is not None
        shares: dict[str, Callable[[], float]] = {
            "lean": lambda: hypot(*truth.lean(self.stack)) / self.stack.ring,
            "tilt": lambda: abs(truth.tilt((1.0, 0.0))) / limits.tilt,
            "cross-tilt": lambda: abs(truth.tilt((0.0, 1.0))) / limits.cross_tilt,
            "over-centre": lambda: truth.theta / self.tip,
            "bag-pressure": lambda: max(b.pressure() / b.bag.working_pressure for b in truth.bags.values()),
            "shore-behind": lambda: max(truth.gap(s.name) / s.gap_allowed for s in self.rig.shore),
            "uncaptured": lambda: (truth.rise(self.stack.at) - self.captured) / limits.capture_every,
            "slip": lambda: 2.0 * struck,
            "hinge-shift": lambda: self._shift(picture) if struck else 0.0,
        }
        return shares[self.case.danger]() / SET_AT[self.case.danger]

    def _shift(self, picture: Picture | None) -> float:
        """By how much the rise at the hinge's old place beats what is no chance there."""
        limit = None if picture is None else picture.hinge.shift_limit_m
        if limit is not None and self.least_shift == inf:
            self.least_shift = limit
        assert self.truth.hinge is not None, "every lift of this bench is hinged"
        return abs(self.truth.hinge.walked) * sin(self.truth.theta) / self.least_shift

    def error(self, picture: Picture) -> float:
        """One standard deviation of the estimate, as a share of the same limit; infinite where nothing is known."""
        load, stack, limits = picture.load, picture.stacks[0], self.rig.limits
        if load.tilt_sd_rad is None or load.rise_sd_m is None:
            return inf
        gap = hypot(load.rise_sd_m, 0.0003)
        return {
            "lean": inf if stack.lean_sd_m is None else stack.lean_sd_m / self.stack.ring,
            "tilt": load.tilt_sd_rad / limits.tilt,
            "cross-tilt": load.tilt_sd_rad / limits.cross_tilt,
            "over-centre": load.tilt_sd_rad / (self.tip or 1.0),
            "bag-pressure": 1e3 / self.stack.bag[0].working_pressure,
            "shore-behind": gap / self.rig.shore[0].gap_allowed,
            "uncaptured": gap / limits.capture_every,
            "hinge-shift": 1.0 / WALK_SDS,
        }.get(self.case.danger, 0.0)

    # The whole of it

    def play(self) -> Case:
        """The lift from its zero to its end."""
        case, rng = self.case, self.rng
        period = {c.name: 1.0 / rng.choice([8.0, 10.0, 20.0]) for c in self.rig.channel}
        due = {name: rng.uniform(0.0, p) for name, p in period.items()}
        count, ticked, zeroed, past = 0, 0.0, False, None
        self.engine.note(Notice(0, "link", "bench", False, "connected"))
        while self.t < 500.0:
            if self.t > REST_S + 0.5:
                self.crew()
                if case.danger:
                    self.go_wrong()
            self.truth.advance(DT)
            self.t += DT
            if all(self.truth.gap(s.name) <= s.gap_allowed for s in self.rig.shore):
                self.captured = self.truth.rise(self.stack.at)
            if self.truth.theta > OVER * (self.truth.tip_rad() or inf) and case.danger != "over-centre":
                return Case(case.seed, case.danger, over=True)
            ns = round(self.t * 1e9)
            for one in self.rig.channel:
                if due[one.name] <= self.t:
                    due[one.name] += period[one.name] * rng.uniform(0.9, 1.1)
                    value = self.sensors.read(one, self.truth)
                    self.engine.accept(Reading(one.name, count, ns, None, value, Quality.GOOD))
                    count += 1
            if not zeroed and self.t >= REST_S:
                zeroed = True
                self.engine.zero(ns)
            if self.t - ticked >= TICK_S - 1e-9:
                ticked = self.t
                picture = self.engine.tick(Tick(ns))
                self.hear(picture)
                past = self.look(picture, past) if case.danger else None
            if case.surely is not None and self.t - case.surely > WATCHED_S:
                break
            lowered = self.lowering and self.truth.rise(self.stack.at) <= 0.4 * self.goal
            if lowered or (self.up and self.t - (self.stopped_s or self.t) > 90.0):
                break
        if not case.danger:
            case.clean_s = self.t
        return case

    def hear(self, picture: Picture) -> None:
        """Take the dangers that were raised at this tick."""
        case = self.case
        for it in picture.transitions:
            alarm = it.alarm
            if alarm.priority is not Priority.DANGER or alarm.state is not AlarmState.UNACKNOWLEDGED:
                continue
            if case.danger and alarm.rule == case.danger and self.strike is not None:
                case.sounded = case.sounded if case.sounded is not None else self.t
            elif not case.danger or self.strike is None:
                case.false.append((alarm.rule, round(self.t, 2), alarm.text))

    def look(self, picture: Picture, past: float | None) -> float | None:
        """Compare the truth with its limit; returns since when it has surely stood past it."""
        case = self.case
        share = self.share(picture)
        if share > 1.0 and case.crossed is None:
            case.crossed = self.strike if case.danger == "slip" else self.t
        if share <= 1.0 + SURELY * self.error(picture):
            return None
        past = self.t if past is None else past
        if case.surely is None and self.t - past > SURELY_S:
            case.surely = self.t
        return past


def one(seed: int) -> Case:
    """The lift of one seed."""
    return Lift(seed).play()


def quantile(values: list[float], share: float) -> float:
    """The value that so large a share of them does not pass."""
    return sorted(values)[min(len(values) - 1, int(share * len(values)))]


def row(cases: list[Case], danger: str) -> str:
    """One line of the table."""
    tried = [c for c in cases if c.danger == danger]
    sure = [c for c in tried if c.surely is not None and c.crossed is not None]
    missed = [c for c in sure if c.sounded is None]
    late = [c.sounded - c.crossed - OWN_DELAY[danger] for c in sure if c.sounded is not None]
    shown = (
        f"{quantile(late, 0.5):7.2f}{quantile(late, 0.95):8.2f}{max(late):8.2f}"
        if late
        else f"{'-':>7}{'-':>8}{'-':>8}"
    )
    seeds = "  missed: " + ", ".join(str(c.seed) for c in missed[:8]) if missed else ""
    return f"{danger:<14}{len(tried):>6}{len(sure):>9}{len(missed):>8}{shown}{seeds}"


def main() -> None:
    """Play the lifts and print the table."""
    lifts = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    workers = int(sys.argv[2]) if len(sys.argv) > 2 else os.cpu_count()
    keep = Path(sys.argv[3]) if len(sys.argv) > 3 else None
    seeds = range(0, lifts, 2) if sys.argv[4:] == ["clean"] else range(lifts)
    cases = sorted((Case(**it) for it in kept(one, seeds, workers, keep)), key=lambda case: case.seed)
    over = [c.seed for c in cases if c.over]
    cases = [c for c in cases if not c.over]
    clean = [c for c in cases if not c.danger]
    hours = sum(c.clean_s for c in clean) / 3600.0
    print(f"{len(seeds)} lifts, seeds 0 to {seeds[-1]}: {len(clean)} clean, {hours:.2f} h; the others go wrong")
    print(f"left out, since the load went over by itself: {len(over)} {over[:12]}")
    print(f"{'danger':<14}{'lifts':>6}{'crossed':>9}{'missed':>8}{'median':>7}{'95 %':>8}{'worst':>8}   (delay, s)")
    for danger in DANGERS:
        print(row(cases, danger))
    sure = [c for c in cases if c.surely is not None]
    missed = sum(c.sounded is None for c in sure)
    print(f"missed dangers: {missed} of {len(sure)}")
    false = [(c.seed, *f) for c in clean for f in c.false]
    each = ", ".join(f"{rule} {n}" for rule, n in Counter(f[1] for f in false).most_common())
    rate = f"{len(false) / hours:.2f} an hour" if hours else "no clean lifting"
    print(f"false dangers of clean lifting: {len(false)} ({each or 'none'}), {rate}")
    for it in false[:20]:
        print("  seed {} {} at {} s: {}".format(*it))
    before = [(c.seed, *f) for c in cases if c.danger for f in c.false]
    print(f"false dangers of the others, before anything went wrong: {len(before)}")
    for it in before[:20]:
        print("  seed {} {} at {} s: {}".format(*it))


if __name__ == "__main__":
    main()
