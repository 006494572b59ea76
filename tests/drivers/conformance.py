"""What every driver must do, over the real thing: subclass `Conformance`, and give it the far end of a real wire.

class TestMyDriver(Conformance):
    @pytest.fixture(params=[MyFarEnd])
    def far(self, request): ...
"""

from __future__ import annotations

import threading
import time
from abc import ABC, abstractmethod

import pytest

from drivers.config import Channel
from drivers.ports import open_port
from drivers.reading import LinkState, Quality, Reading
from drivers.tables import PortTable


class Heard:
    """A sink that keeps what a port said."""

    def __init__(self) -> None:
        self.all: list[Reading | LinkState] = []
        self.begun_ns = time.monotonic_ns()

    def __call__(self, it: Reading | LinkState) -> None:
        self.all.append(it)

    @property
    def readings(self) -> list[Reading]:
        return [it for it in self.all if isinstance(it, Reading)]

    @property
    def links(self) -> list[bool]:
        """Up or down, as it was said; that it is still down, and why now, counts once."""
        said = [it.up for it in self.all if isinstance(it, LinkState)]
        return [up for i, up in enumerate(said) if up or i == 0 or said[i - 1]]

    def values(self, channel: str) -> list[float]:
        return [it.value for it in self.readings if it.channel == channel]


class Far(ABC):
    """The far end of a wire: two channels, "P" (pressure) and "H" (length), SI in, bytes out."""

    config: PortTable
    channels: list[Channel]
    can_be_cut = True

    @abstractmethod
    def say(self, pressure: float | None, height: float | None) -> None: ...

    @abstractmethod
    def junk(self) -> None:
        """Say something that is none of the format."""

    @abstractmethod
    def stranger(self) -> None:
        """Say something good of an id nobody asked for."""

    @abstractmethod
    def cut(self) -> None: ...

    @abstractmethod
    def mend(self) -> None: ...

    @abstractmethod
    def close(self) -> None: ...

    def ready(self) -> bool:
        return True


class Conformance:
    """What every driver must do. A driver's test file subclasses it with `far` of its own (see test_conformance.py)."""

    @pytest.fixture
    def heard(self):
        return Heard()

    @pytest.fixture
    def port(self, far, heard):
        started = time.monotonic_ns()
        it = open_port(far.config, far.channels, heard, lambda: time.monotonic_ns() - started)
        it.start()
        yield it
        it.stop()

    def test_readings_arrive_in_si_in_order_and_numbered(self, far, heard, port, wait_until):
        wait_until(lambda: heard.links == [True])
        for i in range(20):
            far.say(2e5 + i * 1000, 0.1 + i * 0.001)
        wait_until(lambda: len(heard.readings) == 40)
        assert heard.values("P") == pytest.approx([2e5 + i * 1000 for i in range(20)])
        assert heard.values("H") == pytest.approx([0.1 + i * 0.001 for i in range(20)], abs=1e-6)
        for name in "PH":
            mine = [it for it in heard.readings if it.channel == name]
            assert [it.sequence for it in mine] == list(range(20))
            assert [it.time_ns for it in mine] == sorted(it.time_ns for it in mine)
            assert {it.quality for it in mine} == {Quality.GOOD}
        assert port.counters()["good"] == 40

    def test_junk_is_counted_and_stops_nothing(self, far, heard, port, wait_until):
        wait_until(lambda: heard.links == [True])
        far.junk()
        far.say(1e5, 0.5)
        wait_until(lambda: len(heard.readings) == 2)
        counts = port.counters()
        assert counts["malformed"] + counts["bad_checksum"] == 2

    def test_what_came_is_kept_as_it_came(self, far, heard, port, wait_until):
        wait_until(lambda: heard.links == [True])
        far.junk()
        far.say(1e5, 0.5)
        wait_until(lambda: len(heard.readings) == 2)
        pieces = port.raw()
        assert any(b"\x00" in it.data for it in pieces), "junk, too"
        assert [it.time_ns for it in pieces] == sorted(it.time_ns for it in pieces)
        wait_until(lambda: pieces[-1].time_ns <= heard.readings[-1].time_ns, what="what was made of the last of it")

    def test_an_id_nobody_asked_for_is_counted_and_named(self, far, heard, port, wait_until):
        wait_until(lambda: heard.links == [True])
        far.stranger()
        far.say(1e5, 0.5)
        wait_until(lambda: len(heard.readings) == 2)
        assert port.counters()["unknown_id"] == 1
        assert list(port.strangers().values()) == [1]

    def test_an_empty_value_is_no_reading(self, far, heard, port, wait_until):
        wait_until(lambda: heard.links == [True])
        far.say(None, 0.5)
        far.say(1e5, None)
        far.say(1.5e5, 0.6)
        wait_until(lambda: len(heard.readings) == 4)
        assert heard.values("P") == pytest.approx([1e5, 1.5e5])
        assert heard.values("H") == pytest.approx([0.5, 0.6])
        assert port.counters()["empty"] == 2

    def test_loss_is_said_once_and_mends_itself(self, far, heard, port, wait_until, at_most):
        wait_until(lambda: heard.links == [True])
        far.say(1e5, 0.5)
        wait_until(lambda: len(heard.readings) == 2)
        with at_most(2.0, "saying a loss"):
            far.cut()
            wait_until(lambda: heard.links == [True, False])
        text = next(it.text for it in heard.all if isinstance(it, LinkState) and not it.up)
        assert text
        assert "\n" not in text
        far.mend()
        wait_until(lambda: heard.links == [True, False, True], 20.0)
        far.say(2e5, 0.7)
        wait_until(lambda: len(heard.readings) == 4)
        assert heard.values("P") == pytest.approx([1e5, 2e5])
        assert [it.sequence for it in heard.readings if it.channel == "P"] == [0, 1]
        assert port.counters()["reconnects"] == 1

    def test_a_port_that_is_not_there_is_said_and_waited_for(self, far, heard, wait_until):
        far.cut()
        port = open_port(far.config, far.channels, heard, time.monotonic_ns)
        port.start()
        try:
            wait_until(lambda: heard.links == [False])
            far.mend()
            wait_until(lambda: heard.links == [False, True], 20.0)
            far.say(1e5, 0.5)
            wait_until(lambda: len(heard.readings) == 2)
        finally:
            port.stop()

    def test_stop_ends_the_thread_soon_and_twice_is_fine(self, far, heard, port, wait_until, at_most):
        wait_until(lambda: heard.links == [True])
        with at_most(2.0, "stopping"):
            port.stop()
            port.stop()
        assert not any(thread.name == "port:it" for thread in threading.enumerate())
