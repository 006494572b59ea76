"""The engine's whole state as bytes, to go on from later, in the same process; and a shelf of them that has a bound.

What never changes is not written but pointed to: the rig, the rule table, functions. The rules are known by which object they
are, so a thawed engine must hold the very same ones. Nothing of this reaches a disk: bytes that make objects are trusted here
because this process made them.
"""

from __future__ import annotations

import io
import pickle
import zlib
from bisect import bisect_left
from dataclasses import dataclass
from types import FunctionType
from typing import Any

from pydantic import BaseModel

from monitor.engine.engine import Engine
from monitor.engine.rules import Rule

_UNCHANGING = (FunctionType, BaseModel, Rule)
_FAST = 1
"""Of zlib: more effort takes three times as long and saves a tenth."""


class Freezer:
    """Makes an engine into bytes, and bytes into another engine that goes on from there."""

    def __init__(self) -> None:
        self._things: list[object] = []
        self._index: dict[int, int] = {}

    def freeze(self, engine: Engine) -> bytes:
        """The engine as it stands; the engine itself is not touched."""
        out = io.BytesIO()
        _Writer(out, self).dump(engine)
        return zlib.compress(out.getvalue(), _FAST)

    def thaw(self, frozen: bytes) -> Engine:
        """An engine that is as the frozen one was, and shares nothing with it that changes."""
        it = _Reader(io.BytesIO(zlib.decompress(frozen)), self).load()
        assert isinstance(it, Engine), "only engines are frozen"
        return it

    def number(self, thing: object) -> int:
        """The number of something that never changes; it is kept, so that it stays that very object."""
        number = self._index.get(id(thing))
        if number is None:
            number = self._index[id(thing)] = len(self._things)
            self._things.append(thing)
        return number

    def thing(self, number: int) -> object:
        """What has a number."""
        return self._things[number]


class _Writer(pickle.Pickler):
    def __init__(self, out: io.BytesIO, freezer: Freezer) -> None:
        super().__init__(out, protocol=pickle.HIGHEST_PROTOCOL)
        self._freezer = freezer

    def persistent_id(self, obj: Any) -> int | None:
        return self._freezer.number(obj) if isinstance(obj, _UNCHANGING) else None


class _Reader(pickle.Unpickler):
    def __init__(self, file: io.BytesIO, freezer: Freezer) -> None:
        super().__init__(file)
        self._freezer = freezer

    def persistent_load(self, pid: int) -> object:
        return self._freezer.thing(pid)


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """The engine just after picture `number` (-1: before anything), and where in the recording that tick stands."""

    number: int
    time_ns: int
    at: tuple[int, int]
    frozen: bytes


class Shelf:
    """Checkpoints in order, of `bound` bytes together at most: when that is passed every second one is thrown away, and
    from then on they are taken half as often."""

    def __init__(self, bound: int, every_ns: int) -> None:
        self.bound, self.every_ns = bound, every_ns
        self.bytes = 0
        self._kept: list[Checkpoint] = []

    def __len__(self) -> int:
        return len(self._kept)

    def due(self, time_ns: int) -> bool:
        """Whether it is time for another."""
        return not self._kept or time_ns - self._kept[-1].time_ns >= self.every_ns

    def add(self, it: Checkpoint) -> None:
        """Keep one more."""
        self._kept.append(it)
        self.bytes += len(it.frozen)
        while self.bytes > self.bound and len(self._kept) > 2:
            self._kept = self._kept[::2]
            self.every_ns *= 2
            self.bytes = sum(len(kept.frozen) for kept in self._kept)

    def before(self, number: int) -> Checkpoint:
        """The last one from which picture `number` is still to come."""
        return self._kept[bisect_left(self._kept, number, key=lambda it: it.number) - 1]
