"""Whole lifts on the virtual rig: weight, tip angle, lean, and how soon a slip or a walking hinge is seen.

python tests/bench/bench_lift.py [LIFTS]    (500 unless said; some ten minutes on two cores)

Every lift has a load, a stack of one or two bags, rates, noise and a pace of its own; each data plate is wrong by a share of
its own (1 % standard deviation, as the rig file says). In its second half the top plate slips by 15 mm or the hinge walks by
20 mm; over one bag alone no slip is tried, since its plate turns with the load and tilts cannot show one. All of it is
invented; the truth shares nothing with the estimator.
"""

import copy
import random
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from itertools import pairwise
from math import atan2, cos, degrees, hypot, isfinite, radians, sin, sqrt

import numpy as np
from lifts import PORT, channel

from drivers.reading import Quality, Reading
from monitor.drill.physics import Truth
from monitor.drill.sensors import Sensors
from monitor.engine.engine import Engine
from monitor.engine.picture import AlarmState
from monitor.rig.schema import Rig
from replay.entries import Tick

DT, TICK_S, REST_S, STOP_S = 0.05, 0.1, 3.0, 5.0
TIP_USEFUL = radians(0.33)
SCALE_SD, OPEN_M = 0.01, 0.004


def document(rng: random.Random) -> dict:
    """A random rig as its file would say it."""
    length, width = rng.uniform(2.0, 6.0), rng.uniform(2.0, 3.0)
    e, z = length * rng.uniform(0.3, 0.55), rng.uniform(0.05, 1.4)
    at = [length * rng.uniform(0.75, 0.92), 0.0]
    bags = rng.choice([1, 2, 2])
    flat, tall = 0.10, rng.uniform(0.45, 0.6)
    weight = rng.uniform(25e3, 70e3)
    most = 3.0 * weight * e / at[0]
    plate = [[flat, most], [flat + 0.15, 0.95 * most], [flat + 0.3, 0.85 * most], [flat + tall, 0.6 * most]]
    stack = {
        "name": "S1", "at": at, "height_at_zero": flat * bags + 0.02, "supply": 7.5e5, "ring": 0.2,
        "head_tilt": ["HX", "HY"],
        "bag": [
            {"name": f"B{i}", "working_pressure": 8e5, "height_flat": flat, "pressure": f"P{i}", "capacity": plate}
            | ({"plate_tilt": ["MX", "MY"]} if i < bags - 1 else {})
            for i in range(bags)
        ],
    }  # fmt: skip
    heights = {
        f"H{i}": [length * fx, width * fy] for i, (fx, fy) in enumerate([(0.97, 0.45), (0.97, -0.45), (0.2, 0.0)])
    }
    fine, level = rng.uniform(0.0003, 0.0006), radians(rng.uniform(0.02, 0.04))
    fine_p = rng.uniform(200.0, 1000.0)
    channels = [channel(name, "length", fine) for name in heights]
    channels += [channel(name, "angle", level) for name in ("TX", "TY")]
    channels += [channel(name, "angle", radians(0.05)) for name in ("HX", "HY", "MX", "MY")[: 2 * bags]]
    channels += [channel(f"P{i}", "pressure", fine_p) for i in range(bags)]
    return {
        "version": 1, "rig": {"name": "bench"},
        "load": {"weight": weight, "centre_of_gravity": [e, 0.0, z], "hinge": [[0.0, -width / 2], [0.0, width / 2]],
                 "outline": [[0.0, -width / 2], [length, -width / 2], [length, width / 2], [0.0, width / 2]]},
        "stack": [stack],
        "height": [{"channel": name, "at": point} for name, point in heights.items()],
        "tilt": [{"channel": "TX", "axis": [1.0, 0.0]}, {"channel": "TY", "axis": [0.0, 1.0]}],
        "limits": {"tilt": 0.5, "capture_every": 1.0},
        "port": [PORT], "channel": channels,
    }  # fmt: skip


@dataclass
class Outcome:
    """What one lift showed."""

    seed: int
    lean: list = field(default_factory=list)
    weight: list = field(default_factory=list)
    weight_at: float | None = None
    tip: list = field(default_factory=list)
    tip_at: float | None = None
    tip_limit: float = 1.0
    event: str = ""
    struck: bool = False
    seen: float | None = None
    false: list = field(default_factory=list)
    finite: bool = True
    half: float = 0.0
    seconds: float = 0.0


class Seen:
    """What the pressures can tell of the tip angle at best: the Cramer-Rao limit, plates wrong by their share included.

    M = a*cos(t) - b*sin(t) is the force's moment. Of each open bag ln p = ln F - ln A(h) - error of its plate + noise; where
    two are open nobody knows how the height is shared, so of their two pressures one number is left. The unknowns are ln a,
    b/a and the plates' errors, which are known beforehand to 1 %. A flat bag tells nothing.
    """

    def __init__(self, stack, noise: float, periods: list[float]) -> None:
        self.stack, self.noise, self.periods = stack, noise, periods
        self.information = np.diag([1e-9, 1e-9] + [1.0 / SCALE_SD**2] * len(stack.bag))

    def add(self, truth: Truth, seconds: float) -> None:
        """So many seconds of readings."""
        bags = [truth.bags[bag.name] for bag in self.stack.bag]
        c, s, t = cos(truth.theta), -sin(truth.theta), truth.cg[2] / truth.cg[0]
        of_force = np.array([1.0, s / (c + s * t)])  # of ln F, by ln a and b/a
        sds = [
            self.noise / max(1.0, bag.pressure()) * sqrt(p / seconds) for bag, p in zip(bags, self.periods, strict=True)
        ]
        opened = [i for i, bag in enumerate(bags) if bag.height > bag.bag.height_flat + OPEN_M]
        steep = [steepness(bags[i].bag.capacity, bags[i].height) for i in opened]
        if len(opened) == 1:
            share = {opened[0]: 1.0}
        elif len(opened) == 2 and sum(steep) > 0.0:
            share = {opened[0]: steep[1] / sum(steep), opened[1]: steep[0] / sum(steep)}
        else:
            return
        row = np.concatenate([of_force, [-share.get(i, 0.0) for i in range(len(bags))]])
        row /= sqrt(sum((part * sds[i]) ** 2 for i, part in share.items()))
        self.information += np.outer(row, row)

    def tip_sd(self, truth: Truth) -> float:
        """Least standard deviation of the tip angle (rad)."""
        t = truth.cg[2] / truth.cg[0]  # b/a; the tip angle is atan(1 / t)
        return sqrt(np.linalg.inv(self.information)[1, 1]) / (1.0 + t * t)


def steepness(table: list[tuple[float, float]], height: float) -> float:
    """-d ln A / dh (1/m) of a data plate there."""
    (h0, f0), (h1, f1) = next(pair for pair in pairwise(table) if height <= pair[1][0] or pair[1] == table[-1])
    slope = (f1 - f0) / (h1 - h0)
    return -slope / (f0 + slope * (height - h0))


def play(seed: int) -> Outcome:
    """One lift from its seed."""
    rng = random.Random(seed)
    said = document(rng)
    true = copy.deepcopy(said)
    for bag in true["stack"][0]["bag"]:
        share = 1.0 + SCALE_SD * rng.gauss(0.0, 1.0)
        bag["capacity"] = [[h, f * share] for h, f in bag["capacity"]]
    truth, engine = Truth(Rig.model_validate(true)), Engine(Rig.model_validate(said))
    rig = engine.rig
    sensors = Sensors(rig, seed)
    stack = rig.stack[0]
    bags = [bag.name for bag in stack.bag]
    reach = sum(bag.capacity[-1][0] - bag.height_flat for bag in stack.bag)
    goal = min(0.75 * reach, stack.at[0] * sin(radians(rng.uniform(5.0, 20.0))))
    stops = sorted(goal * k / 4.0 for k in range(1, 5))
    pace, opening = rng.uniform(0.003, 0.009), 0.2
    out = Outcome(seed, event="slip" if seed % 2 == 0 and len(bags) > 1 else "walk")
    period = {c.name: 1.0 / rng.choice([8.0, 10.0, 20.0]) for c in rig.channel}
    due = {name: rng.uniform(0.0, p) for name, p in period.items()}
    strike, struck, stopped_s, halved = None, None, None, False
    seen, t, count, ticked = (
        Seen(stack, rig.channel[-1].noise, [period[bag.pressure] for bag in stack.bag]),
        0.0,
        0,
        0.0,
    )
    zeroed = done = False
    while t < 400.0:
        rise = truth.rise(stack.at)
        if t > REST_S + 0.5 and not done:  # the crew: one bag after the other, four stops, at an even pace
            if stopped_s is None and stops and rise >= stops[0]:
                stops.pop(0)
                stopped_s = t
            if stopped_s is not None and t - stopped_s > STOP_S:
                stopped_s = None
                done = not stops
            rate = truth.rise_rate(stack.at)
            opening *= 1.03 if rate < pace else 0.7 if rate > 1.5 * pace else 0.97
            opening = min(1.0, max(0.03, opening))
            at = next((b for b in reversed(bags) if truth.bags[b].height < 0.9 * truth.bags[b].bag.capacity[-1][0] * 0.8),
                      bags[0])  # fmt: skip
            for name in bags:
                truth.bags[name].filling = opening if name == at and stopped_s is None and not done else 0.0
        truth.advance(DT)
        t += DT
        ns = round(t * 1e9)
        if not halved and rise >= goal / 2:
            halved, out.half = True, t
            out.tip_limit = seen.tip_sd(truth)
        if halved and strike is None and truth.theta >= radians(4.0) and stopped_s is None:
            strike = t + rng.uniform(1.0, 6.0)
        if strike is not None and struck is None and t >= strike:
            struck, out.struck = t, True
            if out.event == "slip":
                way = rng.uniform(0.0, 6.28)
                truth.slip("S1", (0.015 * cos(way), 0.015 * sin(way)), 0.5)
            else:
                truth.walk(0.02, 0.5)
        for one in rig.channel:
            if due[one.name] <= t:
                due[one.name] += period[one.name] * rng.uniform(0.9, 1.1)
                engine.accept(Reading(one.name, count, ns, None, sensors.read(one, truth), Quality.GOOD))
                count += 1
        if truth.rise_rate(stack.at) > 0.0005 and truth.forces["S1"] > 0.0:
            seen.add(truth, DT)
        if not zeroed and t >= REST_S:
            zeroed = True
            engine.zero(ns)
        if truth.theta > 0.7 * atan2(truth.cg[0], truth.cg[2]):
            break  # nobody raises a load until it goes over
        if t - ticked >= TICK_S - 1e-9:
            ticked = t
            picture = engine.tick(Tick(ns))
            look(out, picture, truth, stack, t, struck)
        if struck is not None and t - struck > 4.0:
            break
        if done and t - (stopped_s or t) > 20.0:
            break
    out.seconds = t
    return out


def look(out: Outcome, picture, truth: Truth, stack, t: float, struck: float | None) -> None:
    """Compare one picture with the truth."""
    here, balance = picture.stacks[0], picture.balance
    numbers = [here.force_n, here.lean_m, here.lean_sd_m, here.reach_m, balance.tip_rad, balance.weight_n,
               picture.load.rise_m, picture.hinge.distance_m, picture.fall_m]  # fmt: skip
    out.finite &= all(v is None or isfinite(v) for v in numbers)
    for it in picture.transitions:
        alarm = it.alarm
        if alarm.rule in ("slip", "hinge-shift") and alarm.state is AlarmState.UNACKNOWLEDGED:
            ours = struck is not None and alarm.rule == {"slip": "slip", "walk": "hinge-shift"}[out.event]
            if not ours:
                out.false.append((alarm.rule, round(t - (struck or t), 2)))
            elif out.seen is None:
                out.seen = t - struck
    if struck is None:
        if here.lean_x_m is not None and picture.load.rise_m is not None and picture.load.rise_m > 0.01:
            x, y = truth.lean(stack)
            out.lean.append(hypot(here.lean_x_m - x, here.lean_y_m - y))
        if balance.weight_n is not None:
            out.weight_at = out.weight_at or t
            out.weight.append(balance.weight_n / truth.weight - 1.0)
        if balance.tip_rad is not None:
            out.tip_at = out.tip_at or t
            out.tip.append(degrees(balance.tip_rad - atan2(truth.cg[0], truth.cg[2])))


def share(hits: list, of: list) -> str:
    """How many of how many are true."""
    return f"{sum(hits)} of {len(of)}" + (f" ({100.0 * sum(hits) / len(of):.2f} %)" if of else "")


def main() -> None:
    lifts = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    with ProcessPoolExecutor() as pool:
        outs = list(pool.map(play, range(lifts), chunksize=2))
    hours = sum(o.seconds for o in outs) / 3600.0
    print(f"{lifts} lifts, {hours:.1f} h; every number finite: {all(o.finite for o in outs)}")
    lean = [v for o in outs for v in o.lean]
    print(f"lean: RMS error {1e3 * sqrt(sum(v * v for v in lean) / len(lean)):.1f} mm, worst {1e3 * max(lean):.1f} mm")
    off = [v for o in outs for v in o.weight]
    print(f"weight: within 3 % in {share([abs(v) <= 0.03 for v in off], off)} pictures that show it")
    print(
        f"  shown by half the lift in {share([o.weight_at is not None and o.weight_at <= o.half for o in outs], outs)}"
    )
    off = [v for o in outs for v in o.tip]
    worst = max(map(abs, off), default=0.0)
    print(f"tip angle: within 1 degree in {share([abs(v) <= 1.0 for v in off], off)} pictures that show it")
    print(f"  in {sum(bool(o.tip) for o in outs)} lifts, worst {worst:.2f} degrees; shown by half the lift")
    for name, least, most in (("plain", 0.0, 0.5), ("just seen", 0.5, 1.0), ("not to be seen", 1.0, 1e9)):
        these = [o for o in outs if least < o.tip_limit / TIP_USEFUL <= most]
        early = [o.tip_at is not None and o.tip_at <= o.half for o in these]
        print(f"    in {share(early, these)} where the noise leaves it {name}")
    for event, within in (("slip", 1.0), ("walk", 2.0)):
        these = [o for o in outs if o.event == event and o.struck]
        seen = sorted(o.seen for o in these if o.seen is not None)
        soon = share([v <= within for v in seen], these)
        print(f"{event}: seen within {within:.0f} s in {soon}, median {seen[len(seen) // 2] if seen else 0:.2f} s")
        print(f"  not at all in lifts {[o.seed for o in these if o.seen is None]}")
    print(f"false alarms of either: {[(o.seed, *f) for o in outs for f in o.false]}")


if __name__ == "__main__":
    main()
