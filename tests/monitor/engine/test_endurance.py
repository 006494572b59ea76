"""What no input may do: put a NaN or an infinity into a picture, break a rule, spoil a covariance, make the engine grow.

Days of bad weather in a few seconds: ticks far apart, channels that fall silent, spike, stand still or read what their range
just allows, readings of one moment and readings out of order, links that go and come, and a crew that presses every key. The
load's own motion is a rigid one in closed form; all of it is invented.
"""

from __future__ import annotations

import gc
import json
import random
import sys
import tomllib
from dataclasses import fields, is_dataclass
from importlib.resources import files
from math import asin, isfinite
from types import BuiltinFunctionType, FunctionType, ModuleType

import numpy as np
import pytest

from drivers.reading import Quality, Reading
from monitor import encode
from monitor.engine.engine import Engine
from monitor.engine.picture import Picture
from monitor.engine.rules import WIDTH
from monitor.rig.schema import Rig
from replay.entries import Action, Notice, Tick

RIGS = ("yard-panel", "precast-beam", "quarry-block", "training-yard")
S, HOUR_S = 1_000_000_000, 3600.0
STEPS_S = (0.05, 0.1, 0.1, 0.2, 0.2, 0.2, 0.5, 1.0, 1.0, 7.0)
"""How long until the next tick, mostly; now and then it is minutes, or as long as the weather says."""
DIFFERENT = (type, ModuleType, FunctionType, BuiltinFunctionType, Rig)
WIDEST = {"length": 1e3, "pressure": 1e9, "angle": 7.0, "force": 1e10, "temperature": 1e4}
"""What a channel without a range may read at most (the widest that the engine computes with at all)."""


def rig_named(name: str, *, unbounded: bool = False) -> Rig:
    document = tomllib.loads(files("monitor.drill").joinpath(f"rigs/{name}.toml").read_text(encoding="utf-8"))
    if unbounded:
        for channel in document["channel"]:
            channel.pop("range", None)
    return Rig.model_validate(document)


def odd_numbers(it: object) -> bool:
    """Whether a float in it, however deep, is not finite."""
    if isinstance(it, float):
        return not isfinite(it)
    if isinstance(it, dict):
        return any(map(odd_numbers, it.values()))
    if isinstance(it, list | tuple):
        return any(map(odd_numbers, it))
    return is_dataclass(it) and any(odd_numbers(getattr(it, f.name)) for f in fields(it))


def scaled(p: list[list[float]]) -> np.ndarray:
    """A covariance scaled to ones on its diagonal, rows that are certain left out."""
    m = np.array(p)
    assert np.isfinite(m).all()
    assert (m.diagonal() >= 0.0).all(), "a variance below zero"
    known = m.diagonal() > 0.0
    d = np.sqrt(m.diagonal()[known])
    return m[np.ix_(known, known)] / np.outer(d, d)


def held_by(engine: Engine) -> int:
    """Bytes that the engine holds on to, its rig left out."""
    gc.collect()
    seen: dict[int, object] = {}
    left: list[object] = [engine]
    while left:
        it = left.pop()
        if id(it) not in seen and not isinstance(it, DIFFERENT):
            seen[id(it)] = it
            left += gc.get_referents(it)
    return sum(map(sys.getsizeof, seen.values()))


class Weather:
    """One engine in bad weather. `wild` is the share of readings that are anything their range allows, `longest_s` how long
    nobody says anything every hundred ticks."""

    def __init__(self, rig: Rig, seed: int, wild: float = 0.02, longest_s: float = HOUR_S) -> None:
        self.rig, self.engine, self.random, self.wild = rig, Engine(rig), random.Random(seed), wild
        self.longest_s, self.now_ns = longest_s, 0
        self.pose = [0.0, 0.0, 0.0]
        self.going = [0.0, 0.0, 0.0]
        self.values = {c.name: 0.2 if c.quantity == "length" else 0.0 for c in rig.channel}
        self.silent: set[str] = set()
        self.frozen: set[str] = set()
        self.known = self.pictures = 0

    def read(self) -> dict[str, float]:
        """What every channel would truly read: rigid where it sees the load, at random where it does not."""
        z, a, b = self.pose
        for channel in self.rig.channel:
            if channel.quantity == "pressure" and self.pictures > 60 and self.random.random() < 0.05:
                self.values[channel.name] = self.random.choice([0.0, 1e3, 1.8e5, self.random.uniform(0.0, 9e5)])
            elif channel.quantity == "temperature":
                self.values[channel.name] = 290.0
        true = dict(self.values)
        true |= {it.channel: 0.3 + z + a * it.at[0] + b * it.at[1] for it in self.rig.height}
        true |= {it.channel: asin(a * it.axis[0] + b * it.axis[1]) for it in self.rig.tilt}
        for shore in self.rig.shore:
            true[shore.extension] = 0.1 + max(0.0, z + a * shore.at[0] + b * shore.at[1])
        for stack in self.rig.stack:
            for i, bag in enumerate(stack.bag):
                share = (i + 1) / len(stack.bag)
                for pair in (bag.plate_tilt, stack.head_tilt if bag is stack.bag[-1] else None):
                    true |= {name: share * asin(at) for name, at in zip(pair or (), (a, b), strict=False)}
        return true

    def value(self, true: float, quantity: str, limits: tuple[float, float] | None, noise: float) -> float:
        low, high = limits or (-WIDEST[quantity], WIDEST[quantity])
        if self.random.random() >= self.wild:
            return true + self.random.gauss(0.0, noise)
        return self.random.choice([low, high, (low + high) / 2.0, 0.0, -0.0, 5e-324, high * 1.001, true + 50.0 * noise])

    def step(self) -> Picture:
        """Some time passes: readings in the order of no clock, perhaps a key, and a tick."""
        rng, engine = self.random, self.engine
        calm = self.pictures < 60 or rng.random() < 0.98
        passed_s = 0.1 if self.pictures < 60 else rng.choice(STEPS_S) if calm else rng.uniform(60.0, 600.0)
        if self.pictures % 100 == 99:
            passed_s = self.longest_s
        self.now_ns += round(passed_s * S)
        if self.pictures > 60 and rng.random() < 0.05:
            self.going = [rng.choice([0.0, rng.uniform(-0.006, 0.01)]), rng.uniform(-1e-3, 2e-3), rng.gauss(0.0, 1e-4)]
        most = (0.5, 0.25, 0.05)
        short_s = min(passed_s, 1.0)
        self.pose = [min(m, max(-0.02, x + v * short_s)) for x, v, m in zip(self.pose, self.going, most, strict=True)]
        if self.pictures > 60:
            for kept, often in ((self.silent, 0.02), (self.frozen, 0.005)):
                if rng.random() < often:
                    kept ^= {rng.choice(self.rig.channel).name}
                elif rng.random() < 0.02:
                    kept.clear()
        if self.pictures % 100 == 0:
            self.silent, self.frozen = set(), set()
        elif self.pictures % 100 == 90:
            self.silent = {channel.name for channel in self.rig.channel}
        true = self.read()
        for channel in rng.sample(self.rig.channel, len(self.rig.channel)):
            if channel.name in self.silent or (self.pictures > 60 and rng.random() < 0.1):
                continue
            value = self.value(true[channel.name], channel.quantity, channel.range, channel.noise or 1e-3)
            if channel.name in self.frozen:
                value = self.values[channel.name]
            late_ns = rng.choice([0, 0, 0, rng.randrange(300_000_000)])
            quality = Quality.OLD if self.pictures > 60 and rng.random() < 0.002 else Quality.GOOD
            engine.accept(Reading(channel.name, self.pictures, max(0, self.now_ns - late_ns), None, value, quality))
        if self.pictures == 50:
            engine.act(Action(self.now_ns, "zero", {"live_only": True}))
            assert engine.zero_ns is not None or self.wild > 0.0, "no zero was taken"
            if engine.zero_ns is None:
                engine.zero(self.now_ns)
        elif self.pictures > 60 and rng.random() < 0.05:
            self.press()
        self.pictures += 1
        picture = engine.tick(Tick(self.now_ns))
        self.known += picture.load.rise_m is not None
        return picture

    def press(self) -> None:
        """Some key, or something happens to a link or the recorder."""
        rng, rig = self.random, self.rig
        bag = rng.choice(rng.choice(rig.stack).bag).name
        details = {
            "zero": {"live_only": True},
            "cribbed": rng.choice([{}, {"height_m": rng.uniform(-1.0, 2.0)}]),
            "isolate": {"bag": bag},
            "release": {"shore": rng.choice(rig.shore).name if rig.shore else "none"},
            "acknowledge": {"rule": rng.choice(["sensor-lost", "tilt", "lean", "link-lost"])},
            "shelve": {"rule": "sensor-lost", "for_s": rng.choice([60.0, 1e300, -1.0])},
            "out-of-service": {"rule": "sensor-lost", "about": rng.choice(rig.channel).name},
            "in-service": {"rule": "sensor-lost", "about": rng.choice(rig.channel).name},
            "reset": {"rule": rng.choice(["slip", "hinge-shift"])},
            "stop": {"reason": "drill"},
        }
        do = rng.choice([*details, "next", "next", "back", "clear-stop", "note", "no such key"])
        self.engine.act(Action(self.now_ns, do, details.get(do, {})))
        kind, about = rng.choice([("link", rig.port[0].name), ("recorder", ""), ("behind-time", "")])
        self.engine.note(Notice(self.now_ns, kind, about, rng.random() < 0.5, "said so"))

    def check_picture(self, picture: Picture) -> None:
        """What must hold of every picture."""
        assert not odd_numbers(picture), picture
        json.dumps(encode.picture(picture), allow_nan=False)
        json.dumps([encode.alarm(it) for it in picture.alarms], allow_nan=False)
        json.dumps([encode.transition(it) for it in picture.transitions], allow_nan=False)
        assert all(len(it.text) <= WIDTH for it in picture.alarms)
        assert not [it for it in picture.alarms if "rule failed" in it.text]
        assert not [it for it in picture.blind if "rule failed" in it.because]

    def check_covariances(self) -> None:
        """What must hold of every covariance after every tick."""
        if self.engine.pose.time_ns is not None:
            told = self.engine.pose.estimate(self.now_ns)
            for p in [self.engine.pose.filter.p] + ([told.p] if told else []):
                m = scaled(p)
                assert len(m) == 6
                assert abs(m - m.T).max() < 1e-12
                assert np.linalg.eigvalsh(m)[0] > 0.0
        for state in self.engine.channels.values():
            it = state.filter
            if it.time_ns is not None:
                assert it.p00 > 0.0
                assert it.p11 > 0.0
                assert it.p01 * it.p01 < it.p00 * it.p11
                assert isfinite(it.value)
                assert isfinite(it.rate)
        for stack in self.engine.stacks:
            if stack.split is not None:
                m = scaled(stack.split.cov)
                assert m.size == 0 or (abs(m - m.T).max() < 1e-9 and np.linalg.eigvalsh(m)[0] > -1e-6)


@pytest.mark.parametrize("name", RIGS)
@pytest.mark.parametrize("wild", [0.0, 0.02, 0.3])
def test_bad_weather_leaves_every_picture_finite_and_every_covariance_positive(name: str, wild: float) -> None:
    it = Weather(rig_named(name), seed=RIGS.index(name), wild=wild, longest_s=900.0)
    for _ in range(130):
        it.check_picture(it.step())
        it.check_covariances()
    assert it.known > 20 or wild > 0.1, "the pose was hardly ever known: nothing was tried"


@pytest.mark.parametrize("name", RIGS)
def test_hours_of_silence_leave_every_picture_finite(name: str) -> None:
    it = Weather(rig_named(name), seed=RIGS.index(name))
    for _ in range(210):
        it.check_picture(it.step())
    assert it.now_ns > 2.0 * HOUR_S * S


@pytest.mark.parametrize(("name", "seed"), [("precast-beam", 15), ("quarry-block", 22)])
def test_hours_of_silence_leave_every_covariance_positive(name: str, seed: int) -> None:
    it = Weather(rig_named(name), seed, wild=0.0)
    for _ in range(120):
        it.step()
        it.check_covariances()
    assert it.now_ns > HOUR_S * S


def test_channels_without_a_range_may_read_whatever_is_credible() -> None:
    it = Weather(rig_named("yard-panel", unbounded=True), seed=7, wild=0.2)
    for _ in range(150):
        it.check_picture(it.step())


def test_the_engine_does_not_grow_with_the_hours() -> None:
    it = Weather(rig_named("yard-panel"), seed=3)
    sizes = []
    for _ in range(4):
        for _ in range(200):
            it.step()
        sizes.append(held_by(it.engine))
    assert it.now_ns > 6.0 * HOUR_S * S
    assert max(sizes[1:]) < 1.3 * sizes[0], sizes
    it.engine.cribs += [it.engine.cribs] * 100_000  # as an engine would that keeps something of every tick
    assert held_by(it.engine) > 1.3 * max(sizes), "a leak would not be seen"


class Rising:
    """A load that turns about x = 0 while every channel reads ten times a second, in a given order, and falls silent."""

    def __init__(self, name: str, order: tuple[str, ...] = ()) -> None:
        self.rig = rig_named(name)
        self.engine, self.random = Engine(self.rig), random.Random(1)
        self.now_ns, self.a = 0, 0.0
        rank = {name: i for i, name in enumerate(order)}
        self.channels = sorted(self.rig.channel, key=lambda it: rank.get(it.name, len(rank)))
        self.play(4.0)
        self.engine.act(Action(self.now_ns, "zero", {"live_only": True}))
        assert self.engine.zero_ns is not None
        self.play(2.0)

    @property
    def rise(self) -> float:
        """True rise at the highest stack head (m)."""
        return self.a * max(stack.at[0] for stack in self.rig.stack)

    def play(self, seconds: float, rate: float = 0.0) -> list[Picture]:
        pictures = []
        for _ in range(round(10.0 * seconds)):
            self.a += rate / 10.0
            true = {it.channel: 0.3 + self.a * it.at[0] for it in self.rig.height}
            true |= {it.channel: asin(self.a * it.axis[0]) for it in self.rig.tilt}
            for channel in self.channels:
                value = true.get(channel.name, 0.1) + self.random.gauss(0.0, channel.noise or 1e-3)
                self.engine.accept(Reading(channel.name, 0, self.now_ns, None, value))
            pictures.append(self.tick(0.1))
        return pictures

    def tick(self, after_s: float) -> Picture:
        self.now_ns += round(after_s * S)
        return self.engine.tick(Tick(self.now_ns))


def test_after_an_hour_of_silence_the_pose_is_right_at_once() -> None:
    # The slant of a wire is no straight line of the pose: a pose that has run on for an hour is far from where it is one.
    it = Rising("precast-beam", order=("H3", "H2", "H1"))
    it.play(6.0, rate=7e-4)
    for _ in range(60):
        it.tick(60.0)
    for picture in it.play(2.0):
        if picture.load.rise_m is not None:
            assert abs(picture.load.rise_m - it.rise) < 0.01
            assert np.linalg.eigvalsh(scaled(it.engine.pose.filter.p))[0] > 1e-9


def test_after_a_silence_of_seconds_the_zero_is_as_good_as_before() -> None:
    it = Rising("yard-panel")
    for _ in range(50):
        it.tick(0.1)
    pictures = it.play(2.0)
    assert pictures[-1].load.rise_sd_m is not None
    for picture in pictures:
        assert picture.load.rise_sd_m is None or picture.load.rise_sd_m < 0.01
        assert not [
            t.alarm.text for t in picture.transitions if t.alarm.active and t.alarm.rule in ("tilt", "cross-tilt")
        ]
