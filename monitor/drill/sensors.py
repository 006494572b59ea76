"""What each channel of a virtual rig reads of the truth: noise, and what goes wrong with it."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass
from math import dist
from typing import Literal

from drivers.config import Channel
from monitor.drill.physics import Truth
from monitor.rig.schema import HeightSensor, Rig, Stack, TiltSensor

_USUAL_NOISE = {"length": 0.0005, "pressure": 1000.0, "angle": 0.0009, "temperature": 0.1, "force": 50.0}
"""Where the rig file gives none (invented)."""

Reads = Callable[[Truth], float]


def meanings(rig: Rig) -> dict[str, Reads]:
    """What each channel measures, as a function of the truth (SI, without noise). Unused channels are left out."""
    reads: dict[str, Reads] = {}
    for i, height in enumerate(rig.height):
        reads[height.channel] = _height(height, 0.20 + 0.01 * i)
    for tilt in rig.tilt:
        reads[tilt.channel] = _tilt(tilt)
    for shore in rig.shore:
        reads[shore.extension] = _extension(shore.name)
        if shore.pressure is not None:
            reads[shore.pressure] = _air(shore.name)
        if shore.load_cell is not None:
            reads[shore.load_cell] = _cell(shore.name)
    for supply in rig.supply:
        if supply.pressure is not None:
            reads[supply.pressure] = _cylinder(supply.filled)
    for stack in rig.stack:
        pairs = {i + 1: bag.plate_tilt for i, bag in enumerate(stack.bag[:-1])} | {len(stack.bag): stack.head_tilt}
        for plate, pair in pairs.items():
            for axis, channel in enumerate(pair or ()):
                reads[channel] = _plate(stack, plate, axis)
        for axis, channel in enumerate(stack.head_offset or ()):
            reads[channel] = _offset(stack, axis)
        for bag in stack.bag:
            reads[bag.pressure] = _pressure(bag.name)
            if bag.height is not None:
                reads[bag.height] = _bag_height(bag.name)
            if bag.temperature is not None:
                reads[bag.temperature] = _temperature(bag.name)
    return reads


def _extension(shore: str) -> Reads:
    return lambda truth: 0.10 + truth.shores[shore].extension


def _air(shore: str) -> Reads:
    return lambda truth: truth.shores[shore].air


def _cylinder(filled: float) -> Reads:
    return lambda truth: max(0.0, filled - truth.drawn_pa())


def _plate(stack: Stack, plate: int, axis: int) -> Reads:
    return lambda truth: truth.plates(stack)[plate][axis]


def _offset(stack: Stack, axis: int) -> Reads:
    return lambda truth: truth.lean(stack)[axis]


def _pressure(bag: str) -> Reads:
    return lambda truth: truth.bags[bag].pressure() if truth.bags[bag].hosed else 0.0


def _bag_height(bag: str) -> Reads:
    return lambda truth: truth.bags[bag].height


def _temperature(bag: str) -> Reads:
    return lambda truth: truth.bags[bag].temperature


def _cell(shore: str) -> Reads:
    return lambda truth: truth.shore_loads[shore]


def _height(it: HeightSensor, base: float) -> Reads:
    """By its mounting; `base` (m) is what a vertical one reads at the zero, while a wire reads its whole length."""
    point = (*it.at, it.height)
    if it.mount == "load":
        return lambda truth: base + truth.rise(point)
    if it.mount == "ground":
        return lambda truth: base + truth.placement.seen_from_below(*point) - it.height
    anchor = it.anchor or (*it.at, it.height)
    return lambda truth: dist(truth.placement.place(point), anchor)


def _tilt(it: TiltSensor) -> Reads:
    return lambda truth: it.mounting + truth.tilt(it.axis)


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
