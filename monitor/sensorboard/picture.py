"""The finished picture of the board: every channel and port as a screen, a table or a program shows them.

All values are SI; None means not known. Times that end in `utc` are seconds since 1970.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from drivers.raw import Raw
from drivers.reading import CONNECTED
from monitor.engine.picture import AlarmPicture, Answer, SensorStatus


class Wrong(StrEnum):
    """What may be wrong with a channel. WIRE: by the current of its loop. DEVICE: by its own word."""

    PORT = "port lost"
    STALE = "silent"
    RANGE = "out of range"
    FROZEN = "frozen"
    DISAGREES = "disagrees"
    NOISY = "noisy"
    WIRE = "wire"
    DEVICE = "device"


@dataclass(frozen=True, slots=True)
class Fault:
    """What was wrong last, and when: `until_utc` is None while it stands. `more` says the rest of it, may be empty."""

    what: Wrong
    more: str
    since_utc: float
    until_utc: float | None = None


@dataclass(frozen=True, slots=True)
class ChannelRow:
    """One channel. `rate_hz`: readings a second over the last seconds, 0 while it is silent, None before two readings.

    `noise`: standard deviation of one reading by successive differences, `noise_said` that of the rig file (or what is usual
    where it says none). `stored`: how many values came late, from a store. `trouble`: it belongs on top. `device_utc`: what
    the device's own clock said of its newest reading, None where that had no time; nothing is judged by it.
    """

    name: str
    port: str
    quantity: str
    status: SensorStatus
    value: float | None
    age_s: float | None
    rate_hz: float | None
    noise: float | None
    noise_said: float
    range: tuple[float, float] | None
    stale_after_s: float
    fault: Fault | None
    stored: int
    trouble: bool
    where: str
    """What it measures, in a few words; empty where its name says it."""
    device_utc: float | None = None

    @property
    def wrong(self) -> bool:
        """Whether something is wrong with it now."""
        return self.fault is not None and self.fault.until_utc is None

    @property
    def noise_times(self) -> float | None:
        """The noise in shares of what the rig file says."""
        return None if self.noise is None else self.noise / self.noise_said


@dataclass(frozen=True, slots=True)
class PortRow:
    """One port. `counts`: what it counted, nothing that is zero; `strangers`: sources no channel names, with how often."""

    name: str
    up: bool | None
    text: str
    counts: tuple[tuple[str, int], ...]
    strangers: tuple[tuple[str, int], ...]

    @property
    def unwell(self) -> str:
        """What is wrong with a port that is up, "" where nothing is."""
        return self.text if self.up and self.text != CONNECTED else ""

    @property
    def good(self) -> int:
        """Values that were read."""
        return dict(self.counts).get("good", 0)

    @property
    def spoilt(self) -> tuple[tuple[str, int], ...]:
        """What could not be used, by what was wrong with it."""
        well = ("good", "old", "reconnects", "unknown_id")
        return tuple((what, count) for what, count in self.counts if what not in well)


@dataclass(frozen=True, slots=True)
class BoardPicture:
    """All of it at one moment. `channels` are in the order they are shown: trouble first, else as the rig file has them."""

    time_ns: int
    utc: float
    rig: str
    channels: tuple[ChannelRow, ...]
    ports: tuple[PortRow, ...]
    zeroed: bool
    zero_waits: str
    """Why no zero is taken yet; empty once it is."""
    stop: str | None
    alarms: tuple[AlarmPicture, ...]
    """Those that stand and are not about a sensor or a port, which the board itself shows."""
    answer: Answer | None


@dataclass(frozen=True, slots=True)
class RawLine:
    """One line or message of a wire, readable: what is no printable ASCII is escaped. `about` is where it came, if it says."""

    time_ns: int
    about: str
    text: str


def raw_lines(pieces: Sequence[Raw], most: int) -> list[RawLine]:
    """The newest lines and messages of a port, the oldest first, at most so many. A stream is cut after each newline."""
    found: list[RawLine] = []
    rest, begun_ns = b"", 0
    for it in pieces:
        left_out = f" ({it.left_out} bytes more)" if it.left_out else ""
        if it.about is not None:
            found.append(RawLine(it.time_ns, it.about, escaped(it.data) + left_out))
            continue
        begun_ns = begun_ns if rest else it.time_ns
        for part in _cut(it.data):
            rest += part
            if rest.endswith(b"\n"):
                found.append(RawLine(begun_ns, "", escaped(rest)))
                rest, begun_ns = b"", it.time_ns
        if left_out:
            found.append(RawLine(begun_ns, "", escaped(rest) + left_out))
            rest = b""
    if rest:
        found.append(RawLine(begun_ns, "", escaped(rest)))
    return found[-most:]


def _cut(data: bytes) -> list[bytes]:
    return [line + b"\n" for line in data.split(b"\n")[:-1]] + [data.rpartition(b"\n")[2]]


_SHORT = {0x0A: "\\n", 0x0D: "\\r", 0x09: "\\t", 0x5C: "\\\\"}


def escaped(data: bytes) -> str:
    r"""Bytes as text that any terminal can show: printable ASCII as it is, the rest as \xNN (or \r, \n, \t, \\)."""
    return "".join(_SHORT.get(it) or (chr(it) if 0x20 <= it < 0x7F else f"\\x{it:02x}") for it in data)
