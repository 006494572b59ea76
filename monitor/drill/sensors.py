"""What each channel of a virtual rig reads of the truth: noise, and what goes wrong with it."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass
from math import asin, sin, tan
from typing import Literal

from drivers.config import Channel
from monitor.drill.physics import Truth
from monitor.rig.schema import Rig, Stack

_USUAL_NOISE = {"length": 0.0005, "pressure": 1000.0, "angle": 0.0009}
"""Where the rig file gives none (invented)."""

Reads = Callable[[Truth], float]


def meanings(rig: Rig) -> dict[str, Reads]:
    """What each channel measures, as a function of the truth (SI, without noise). Unused channels are left out."""
    reads: dict[str, Reads] = {}
    for i, height in enumerate(rig.height):
        reads[height.channel] = _height(height.at, height.mount, 0.20 + 0.01 * i)
    for tilt in rig.tilt:
        reads[tilt.channel] = _tilt(tilt.axis)
    for shore in rig.shore:
        reads[shore.extension] = _extension(shore.name)
        if shore.pressure is not None:
            reads[shore.pressure] = _air(shore.name)
    for stack in rig.stack:
        pairs = {i + 1: bag.plate_tilt for i, bag in enumerate(stack.bag[:-1])} | {len(stack.bag): stack.head_tilt}
        for plate, pair in pairs.items():
            for axis, channel in enumerate(pair or ()):
                reads[channel] = _plate(stack, plate, axis)
        for axis, channel in enumerate(stack.head_offset or ()):
            reads[channel] = _offset(stack, axis)
        for bag in stack.bag:
            reads[bag.pressure] = _pressure(bag.name)
    return reads


def _extension(shore: str) -> Reads:
    return lambda truth: 0.10 + truth.shores[shore].extension


def _air(shore: str) -> Reads:
    return lambda truth: truth.shores[shore].air


def _plate(stack: Stack, plate: int, axis: int) -> Reads:
    return lambda truth: truth.plates(stack)[plate][axis]


def _offset(stack: Stack, axis: int) -> Reads:
    return lambda truth: truth.lean(stack)[axis]


def _pressure(bag: str) -> Reads:
    return lambda truth: truth.bags[bag].pressure()


def _height(at: tuple[float, float], mount: str, base: float) -> Reads:
    if mount == "load":
        return lambda truth: base + truth.rise(at)
    return lambda truth: base + truth.arm(at) * tan(truth.theta)


def _tilt(axis: tuple[float, float]) -> Reads:
    def reads(truth: Truth) -> float:
        nx, ny = truth.direction()
        along = (axis[0] * nx + axis[1] * ny) / (axis[0] ** 2 + axis[1] ** 2) ** 0.5
        return asin(along * sin(truth.theta))

    return reads


@dataclass
class Fault:
    """What is wrong with one channel. `amount` is SI: an offset (bias), one reading's error (spike), a rate per second
    (drift); for noisy it is how many times the noise."""

    kind: Literal["silent", "frozen", "bias", "drift", "spike", "noisy"]
    amount: float = 0.0
    since_s: float = 0.0
    held: float | None = None


class Sensors:
    """Every channel of a rig, with noise of a seeded generator. `faults` names what is wrong with which channel."""

    def __init__(self, rig: Rig, seed: int) -> None:
        self.channels = {channel.name: channel for channel in rig.channel}
        self.faults: dict[str, Fault] = {}
        self._reads = meanings(rig)
        self._random = random.Random(seed)

    def read(self, channel: Channel, truth: Truth) -> float | None:
        """One reading (SI) of one channel, or None while it is silent."""
        reads = self._reads.get(channel.name)
        noise = channel.noise or _USUAL_NOISE.get(channel.quantity, 0.0)
        error = noise * self._random.gauss(0.0, 1.0)  # drawn even when silent: one fault leaves the rest as it was
        value = reads(truth) if reads else 0.0
        fault = self.faults.get(channel.name)
        return value + error if fault is None else self._wrong(channel.name, fault, value, error, truth.time_s)

    def _wrong(self, name: str, fault: Fault, value: float, error: float, time_s: float) -> float | None:
        if fault.kind == "silent":
            return None
        if fault.kind == "frozen":
            if fault.held is None:
                fault.held = value + error
            return fault.held
        if fault.kind == "noisy":
            return value + fault.amount * error
        if fault.kind == "drift":
            return value + error + fault.amount * (time_s - fault.since_s)
        if fault.kind == "spike":
            del self.faults[name]  # it is over with this one reading
        return value + error + fault.amount
