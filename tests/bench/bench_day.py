"""A day's hold: whether cost, memory or the covariance drifts, and whether a picture ever holds what is no number.

python tests/bench/bench_day.py [HOURS]    (24 unless said; a quarter of an hour on one free core)

The example rig reads five times a second on every channel, each reading at a moment of its own. Every hour the load is
raised by 60 mm on both bags, held for half an hour and let down again; the air warms and cools by eight kelvin over the day
and drags the sensors along. The clock ticks 2.5 times a second at hold and five times while air flows: fewer pictures than a
screen shows, to save time. All of it is invented.
"""

import gc
import random
import resource
import sys
import tomllib
from array import array
from dataclasses import dataclass, field, fields, is_dataclass
from importlib.resources import files
from math import isfinite, pi, sin
from time import perf_counter_ns
from types import BuiltinFunctionType, FunctionType, ModuleType

import numpy as np

from drivers.reading import Reading
from monitor import encode
from monitor.drill.physics import T_REFERENCE, Truth
from monitor.drill.sensors import Sensors
from monitor.engine.engine import Engine
from monitor.engine.picture import AlarmState
from monitor.live.hand import presses
from monitor.rig.schema import Rig
from replay.entries import Action, Notice, Tick

STEP_NS, HOUR_NS = 200_000_000, 3_600_000_000_000
SUBSTEPS = 4  # of the air, so that a fill is followed smoothly
WARM_K, DAY_S = 8.0, 86_400.0
DRAGGED = {"length": 1e-4, "angle": 1.7e-4, "pressure": 200.0}
"""How far a sensor of each quantity is off at the warmest and the coldest (SI)."""
FIRST, THEN = "S1-upper", "S1-lower"
TOUCH_M = 0.003
EMPTY_PA, OPENING = 5e3, 0.3
RAISE_S, LOWER_S = 300.0, 2_100.0
"""When in an hour the crew begins to raise and to lower."""
NOT_THE_ENGINE = (type, ModuleType, FunctionType, BuiltinFunctionType, Rig)


def one_cycle(half_mm: int, full_mm: int) -> Rig:
    """The example rig with a plan that can be gone through again and again: up on one bag, then on both, and down."""
    document = tomllib.loads(files("monitor.drill").joinpath("rigs/yard-panel.toml").read_text(encoding="utf-8"))
    document["step"] = [
        {"do": "fill", "bag": FIRST, "until": {"rise": f"{half_mm} mm", "at": "S1"}},
        {"do": "fill", "bag": THEN, "until": {"rise": f"{full_mm} mm", "at": "S1"}},
        {"do": "capture"},
        {"do": "lower", "until": {"rise": "0 mm", "at": "S1"}},
    ]
    return Rig.model_validate(document)


@dataclass
class Hour:
    """What one hour showed."""

    accepts: array = field(default_factory=lambda: array("f"))
    ticks: array = field(default_factory=lambda: array("f"))
    asymmetry: float = 0.0
    least: float = 1.0
    least_told: float = 1.0
    least_split: float = 1.0
    least_rate: float = 1.0
    highest_m: float = 0.0
    raised: int = 0
    broken: int = 0
    no_pose: int = 0
    not_finite: int = 0


def odd_numbers(it: object) -> int:
    """How many floats in it, however deep, are NaN or infinite."""
    if isinstance(it, float):
        return not isfinite(it)
    if isinstance(it, dict):
        return sum(map(odd_numbers, it.values()))
    if isinstance(it, list | tuple):
        return sum(map(odd_numbers, it))
    if is_dataclass(it):
        return sum(odd_numbers(getattr(it, f.name)) for f in fields(it))
    return 0


def scaled(p: list[list[float]]) -> tuple[float, float]:
    """(greatest asymmetry, least eigenvalue) of a covariance, scaled to ones on its diagonal."""
    m = np.array(p)
    m = m[np.ix_(m.diagonal() != 0.0, m.diagonal() != 0.0)]
    if not m.size:
        return 0.0, 1.0
    if (m.diagonal() < 0.0).any():
        return 0.0, -1.0
    d = np.sqrt(m.diagonal())
    m = m / np.outer(d, d)
    return float(np.abs(m - m.T).max()), float(np.linalg.eigvalsh((m + m.T) / 2.0)[0])


def held_by(engine: Engine) -> int:
    """Bytes that the engine holds on to: exact, where the memory of a process is not."""
    gc.collect()
    seen: dict[int, object] = {}
    left: list[object] = [engine]
    while left:
        it = left.pop()
        if id(it) not in seen and not isinstance(it, NOT_THE_ENGINE):
            seen[id(it)] = it
            left += gc.get_referents(it)
    return sum(map(sys.getsizeof, seen.values()))


def resident_kb() -> int:
    """The memory of this process now (kB), where the system tells it; else its greatest ever."""
    try:
        with open("/proc/self/statm", encoding="ascii") as told:
            return int(told.read().split()[1]) * resource.getpagesize() // 1024
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


class Day:
    """The rig, its crew and its engine, step by step."""

    rises_mm = 30, 60

    def __init__(self) -> None:
        self.rig = one_cycle(*self.rises_mm)
        self.half_m, self.rise_m = (0.001 * rise + 0.001 for rise in self.rises_mm)  # the plan's stop is reached
        self.truth, self.sensors = Truth(self.rig), Sensors(self.rig, 1)
        self.engine, self.random = Engine(self.rig), random.Random(2)
        self.count = 0
        self.phase = "rest"
        self.hour = Hour()
        for port in self.rig.port:
            self.engine.note(Notice(0, "link", port.name, False, "connected"))

    def act(self, now_ns: int, do: str, **details: object) -> None:
        self.engine.act(Action(now_ns, do, details))

    def crew(self, now_ns: int) -> None:
        """What the crew does with the valves, by the time of the hour, the true rise and the true pressures."""
        at_s, rise = now_ns % HOUR_NS * 1e-9, self.truth.rise(self.rig.stack[0].at)
        first, then = self.truth.bags[FIRST], self.truth.bags[THEN]
        if self.phase == "rest" and RAISE_S <= at_s < LOWER_S:
            self.phase, first.filling = "first up", OPENING
        elif self.phase == "first up" and rise >= self.half_m:
            self.phase, first.filling, then.filling = "up", 0.0, OPENING
        elif self.phase == "up" and rise >= self.rise_m:
            self.phase, then.filling = "held", 0.0
        elif self.phase == "held" and at_s >= LOWER_S:
            self.phase, then.filling = "touch", OPENING  # a touch of rise frees the locks
        elif self.phase == "touch" and rise >= self.rise_m + TOUCH_M:
            self.phase, then.filling, then.venting = "down", 0.0, OPENING
            self.release(now_ns)
        elif self.phase == "down" and then.pressure() < EMPTY_PA:
            self.phase, then.venting, first.venting = "last down", 0.0, OPENING
        elif self.phase == "last down" and first.pressure() < EMPTY_PA:
            self.phase, first.venting = "rest", 0.0
            self.release(now_ns)
            for _ in self.rig.step:
                self.act(now_ns, "back")

    def release(self, now_ns: int) -> None:
        """Free the shores' locks, or lock them again."""
        for shore in self.rig.shore:
            self.truth.shores[shore.name].released ^= True
            self.act(now_ns, "release", shore=shore.name)

    def step(self) -> None:
        """A fifth of a second: time passes, every channel reads once, and the clock may tick."""
        now_ns = self.count * STEP_NS
        moving = self.phase not in ("rest", "held")
        warmth = sin(2.0 * pi * now_ns * 1e-9 / DAY_S)
        for bag in self.truth.bags.values():
            bag.temperature = T_REFERENCE + WARM_K * warmth
        if moving:
            for _ in range(SUBSTEPS):
                self.truth.advance(STEP_NS * 1e-9 / SUBSTEPS)
        elif self.count % 50 == 0:
            self.truth.advance(STEP_NS * 1e-9)
        self.crew(now_ns)
        for i, channel in enumerate(self.rig.channel):
            value = self.sensors.read(channel, self.truth)
            value += DRAGGED[channel.quantity] * warmth
            at_ns = now_ns + i * 10_000_000 + self.random.randrange(9_000_000)
            reading = Reading(channel.name, self.count, at_ns, None, value)
            begun = perf_counter_ns()
            self.engine.accept(reading)
            self.hour.accepts.append((perf_counter_ns() - begun) / 1e3)
        self.count += 1
        if moving or self.count % 2 == 0:
            self.tick(self.count * STEP_NS)

    def tick(self, now_ns: int) -> None:
        hour, engine, tick = self.hour, self.engine, Tick(now_ns)
        begun = perf_counter_ns()
        picture = engine.tick(tick)
        hour.ticks.append((perf_counter_ns() - begun) / 1e3)
        hour.not_finite += odd_numbers(picture) + odd_numbers(encode.picture(picture))
        hour.raised += sum(t.alarm.state is AlarmState.UNACKNOWLEDGED for t in picture.transitions)
        hour.broken += sum("rule failed" in t.alarm.text for t in picture.transitions)
        hour.highest_m = max(hour.highest_m, picture.load.rise_m or 0.0)
        if (press := presses(picture)) is not None:
            self.act(now_ns, press[0], **press[1])
        self.look(now_ns)

    def look(self, now_ns: int) -> None:
        """Every covariance of the engine, at every tick."""
        hour, engine = self.hour, self.engine
        if engine.pose.time_ns is None:
            return
        asymmetry, least = scaled(engine.pose.filter.p)
        hour.least = min(hour.least, least)
        told = engine.pose.estimate(now_ns)
        hour.no_pose += told is None
        if told is not None:
            more, least = scaled(told.p)
            asymmetry, hour.least_told = max(asymmetry, more), min(hour.least_told, least)
        for stack in engine.stacks:
            more, least = scaled(stack._heights.p)
            asymmetry, hour.least_split = max(asymmetry, more), min(hour.least_split, least)
        hour.asymmetry = max(hour.asymmetry, asymmetry)
        for state in engine.channels.values():
            it = state.filter
            hour.least_rate = min(hour.least_rate, 1.0 - abs(it.p01) / (it.p00 * it.p11) ** 0.5)


def main() -> None:
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 24.0
    day, begun = Day(), perf_counter_ns()
    print("      accept us    tick us                           least eigenvalue, scaled")
    print("hour  median p99   least5% median p99   asymmetry  pose     told     split    rates     rise mm")
    print(
        "then how many: alarms raised, rules broken, poses missing, odd numbers; kB that the engine holds, kB resident"
    )
    for k in range(1, int(hours + 0.999) + 1):
        day.hour = it = Hour()
        while day.count * STEP_NS < min(k, hours) * HOUR_NS:
            day.step()
        a, a99 = np.percentile(np.frombuffer(it.accepts, np.float32), (50, 99))
        t5, t, t99 = np.percentile(np.frombuffer(it.ticks, np.float32), (5, 50, 99))
        size = held_by(day.engine)
        print(
            f"{k:4d}  {a:6.1f} {a99:5.1f} {t5:7.0f} {t:6.0f} {t99:5.0f}     {it.asymmetry:.1e}  {it.least:.2e} {it.least_told:.2e}"
            f" {it.least_split:8.1e} {it.least_rate:.2e} {1e3 * it.highest_m:6.1f} {it.raised:6d} {it.broken:6d}"
            f" {it.no_pose:4d} {it.not_finite:6d} {size / 1024:5.0f} {resident_kb():6d}",
            flush=True,
        )
    print(f"{day.count * len(day.rig.channel)} readings, {(perf_counter_ns() - begun) / 6e10:.1f} minutes")


if __name__ == "__main__":
    main()
