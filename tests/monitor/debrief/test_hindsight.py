"""Hindsight on a pose in motion: nearer to the truth than live, and what it would be had it waited for the whole session."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field
from types import SimpleNamespace

import pytest

from monitor.debrief.hindsight import AFTER_NS, Hindsight, LookedBack
from monitor.debrief.smoothing import Step, motion, smoothed
from monitor.engine.kalman import TripleFilter
from monitor.engine.mounts import Level

HEAD = (2.0, 0.5)
READ_NS, NOISE_M = 20_000_000, 1e-3
ROWS = ((1.0, 2.0, 0.5), (1.0, -1.0, 1.0), (1.0, 0.5, -1.0))


@dataclass
class Pose:
    """What hindsight sees of the engine's pose: a real filter, and when it was last at work."""

    filter: TripleFilter
    time_ns: int | None = None
    level: Level = field(default_factory=lambda: Level(still=(0.0, 0.0)))


def fresh() -> TripleFilter:
    """As the pose begins at a zero (pose.py): a lift that starts or stops within a second, at rest."""
    return TripleFilter((3e-6, 8e-7, 8e-7), (1e-8, 2e-9, 2e-9), (1e-8, 2e-9, 2e-9))


def truth(t: float) -> tuple[float, float, float]:
    """Invented: a load that swells up and down by 20 mm, and tilts with it."""
    return 0.02 * (1 - math.cos(t / 2)), 0.004 * math.sin(t / 3), 0.002 * math.sin(t / 4)


class Lift:
    """A pose that is read from, and looked back at, with every step kept beside."""

    def __init__(self, seed: int = 1) -> None:
        self.rng, self.pose, self.back = random.Random(seed), Pose(fresh()), Hindsight()
        self.found: dict[int, LookedBack] = {}
        self.live: dict[int, tuple[int, float]] = {}
        self.steps: list[Step] = []
        self.settled_late_ns = 0

    def take(self, settled) -> None:
        for it in settled:
            assert it.number not in self.found
            self.found[it.number] = it

    def read(self, time_ns: int, offset: float = 0.0) -> None:
        pose, it = self.pose, self.pose.filter
        dt = 0.0 if pose.time_ns is None else (time_ns - pose.time_ns) * 1e-9
        it.predict(dt)
        before = it.copy()
        pose.time_ns = time_ns
        h = ROWS[time_ns // READ_NS % 3]
        z, a, b = truth(time_ns * 1e-9)
        measured = h[0] * (z + offset) + h[1] * a + h[2] * b + self.rng.gauss(0.0, NOISE_M)
        it.update(h, measured - sum(p * q for p, q in zip(h, it.x, strict=False)), NOISE_M**2)
        f, q = motion(dt, it.q)
        after = it.copy()
        self.steps.append(Step(time_ns, f, q, before.x, before.p, after.x, after.p))
        self.take(self.back.look(pose))

    def picture(self, number: int, time_ns: int) -> None:
        ahead = self.pose.filter.copy()
        ahead.predict((time_ns - self.pose.time_ns) * 1e-9)
        rise = ahead.x[0] + HEAD[0] * ahead.x[1] + HEAD[1] * ahead.x[2]
        self.live[number] = time_ns, rise
        stack = SimpleNamespace(rise_m=rise, at=HEAD)
        picture = SimpleNamespace(time_ns=time_ns, load=SimpleNamespace(rise_m=rise), stacks=(stack,))
        self.take(self.back.picture(number, picture, self.pose))


@pytest.fixture(scope="module")
def lift() -> Lift:
    it = Lift()
    for k in range(1500):
        it.read(k * READ_NS)
        if k % 5 == 4:
            it.picture(k // 5, k * READ_NS + 7_000_000)
    it.take(it.back.rest())
    return it


def rise_of(t: float) -> float:
    z, a, b = truth(t)
    return z + HEAD[0] * a + HEAD[1] * b


def rms(values) -> float:
    return math.sqrt(sum(v * v for v in values) / len(values))


def test_it_is_nearer_to_the_truth_than_live(lift):
    assert sorted(lift.found) == sorted(lift.live) == list(range(300))
    live = rms([rise - rise_of(t * 1e-9) for t, rise in lift.live.values()])
    later = rms([lift.found[n].rise_m - rise_of(t * 1e-9) for n, (t, _) in lift.live.items()])
    assert later < 0.7 * live
    tilts = rms([lift.found[n].tilt_x_rad - math.asin(truth(t * 1e-9)[1]) for n, (t, _) in lift.live.items()])
    assert tilts < 5e-4


def test_what_comes_after_three_seconds_tells_nothing_new(lift):
    # The same moments by the whole session at once: smoothing.py is held against independent libraries in its own tests.
    whole = {step.time_ns: x for step, (x, _) in zip(lift.steps, smoothed(lift.steps), strict=True)}
    for number, (time_ns, _) in lift.live.items():
        x = whole[time_ns - 7_000_000]
        ahead = [x[i] + 0.007 * x[i + 3] for i in range(3)]
        full = ahead[0] + HEAD[0] * ahead[1] + HEAD[1] * ahead[2]
        assert lift.found[number].rise_m == pytest.approx(full, abs=0.05 * NOISE_M)


def test_a_moment_is_settled_soon_and_not_at_once():
    it = Lift()
    for k in range(1000):
        it.read(k * READ_NS)
        if k % 5 == 4:
            it.picture(k // 5, k * READ_NS + 7_000_000)
        newest = max((it.live[n][0] for n in it.found), default=-1)
        assert newest < k * READ_NS - AFTER_NS + 8_000_000 or newest < 0
    assert len(it.found) > 50
    assert len(it.back._steps) < 1000, "what is settled is forgotten"


def test_a_load_that_moved_at_once_is_not_foreseen():
    it = Lift()
    for k in range(400):
        if k == 200:
            it.pose.filter.open_up((4e-4, 1e-4, 1e-4), (1e-2, 1e-3, 1e-3))
        it.read(k * READ_NS, 0.05 if k >= 200 else 0.0)
        if k % 5 == 4:
            it.picture(k // 5, k * READ_NS + 7_000_000)
    it.take(it.back.rest())
    assert sorted(it.found) == list(range(80))
    for number in range(30, 40):
        assert it.found[number].rise_m == pytest.approx(rise_of(it.live[number][0] * 1e-9), abs=3e-3)
    for number in range(45, 80):
        assert it.found[number].rise_m == pytest.approx(0.05 + rise_of(it.live[number][0] * 1e-9), abs=3e-3)


def test_a_new_zero_begins_anew():
    it = Lift()
    for k in range(300):
        if k == 150:
            it.pose.filter = fresh()
        it.read(k * READ_NS)
        if k % 5 == 4:
            it.picture(k // 5, k * READ_NS + 7_000_000)
    settled = [n for n in it.found if it.live[n][0] < 150 * READ_NS]
    assert len(settled) == 30, "all that was before it is settled by then"


def test_before_the_zero_nothing_is_known():
    it = Hindsight()
    pose = Pose(fresh())
    assert list(it.look(pose)) == []
    picture = SimpleNamespace(time_ns=5, load=SimpleNamespace(rise_m=None), stacks=())
    assert list(it.picture(3, picture, pose)) == [LookedBack(3, None, None, None)]
    assert list(it.rest()) == []
