"""One line of a journal, both directions: entries to JSON objects and back. Pure.

Every line is one object; `k` names its kind and `t` is integer nanoseconds since the session began. Fields that hold what
they usually hold are left out. Floats are written in their shortest form that reads back to the same bits.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import isfinite
from typing import Any, Protocol, Self

import orjson

from drivers.reading import Quality, Reading
from replay.entries import Action, Entry, Notice, Tick

FORMAT, VERSION = "inchwatch-journal", 1
ABOUT = (
    "One session of a lift monitor, one JSON object a line. k: kind of line; t: ns since the session began. reading: c channel, "
    "n its number, v value in SI (m, Pa gauge, N, rad, K, A, V), d the device's own clock (ns since 1970), q quality if not good. "
    "action: a person's; tick: the clock was looked at; notice: the world outside; alarm: a transition as it happened live; "
    "seal: sha256 of every byte before the digest, and how many lines stand before it; gap: entries that could not be kept; "
    "end: closed in order."
)


@dataclass(frozen=True, slots=True)
class Header:
    """What a journal says of itself in its first line."""

    rig: str
    """The rig file, whole, as it was read."""
    rig_name: str
    software: str
    started: str
    """Wall clock at the session's beginning, ISO 8601 in UTC. The only time in the file that is not monotonic."""
    more: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class AlarmLine:
    """An alarm transition as it happened live. An output of the engine, kept beside its inputs."""

    time_ns: int
    alarm: dict[str, Any]


class _Hash(Protocol):
    def copy(self) -> Self: ...
    def update(self, data: bytes, /) -> None: ...
    def hexdigest(self) -> str: ...


class CodecError(ValueError):
    """A line that is no line of a journal. The message says what was found."""


def header_line(header: Header) -> bytes:
    """The first line of a journal."""
    return _dump(
        {
            "k": "header",
            "t": 0,
            "format": FORMAT,
            "version": VERSION,
            "software": header.software,
            "started": header.started,
            "rig_name": header.rig_name,
            "about": ABOUT,
            **header.more,
            "rig": header.rig,
        }
    )


def read_header(line: bytes) -> Header:
    """The header in a first line. Raises CodecError."""
    found = _load(line)
    if found.get("k") != "header" or found.get("format") != FORMAT:
        raise CodecError("the first line is not the header of a journal")
    version = found.get("version")
    if version != VERSION:
        raise CodecError(f"made in format version {version!r}; this program reads version {VERSION}")
    texts = [found.get(key) for key in ("rig", "rig_name", "software", "started")]
    if not all(isinstance(text, str) for text in texts):
        raise CodecError("the header lacks its rig file, name, software version or date")
    known = {"k", "t", "format", "version", "software", "started", "rig_name", "about", "rig"}
    more = {key: value for key, value in found.items() if key not in known}
    rig, rig_name, software, started = (str(text) for text in texts)
    return Header(rig, rig_name, software, started, more)


def entry_line(entry: Entry) -> bytes:
    """One entry. Raises ValueError for a value that is not finite: nothing else may have made one."""
    if isinstance(entry, Reading):
        if not isfinite(entry.value):
            raise ValueError(f"a reading of {entry.channel} is not finite")
        line: dict[str, Any] = {
            "k": "reading",
            "t": entry.time_ns,
            "c": entry.channel,
            "n": entry.sequence,
            "v": entry.value,
        }
        if entry.device_time_ns is not None:
            line["d"] = entry.device_time_ns
        if entry.quality is not Quality.GOOD:
            line["q"] = entry.quality.value
        return _dump(line)
    if isinstance(entry, Tick):
        return b'{"k":"tick","t":%d}\n' % entry.time_ns
    if isinstance(entry, Action):
        line = {"k": "action", "t": entry.time_ns, "do": entry.do, "by": entry.by}
        if entry.details:
            line["with"] = dict(entry.details)
        return _dump(line)
    line = {
        "k": "notice",
        "t": entry.time_ns,
        "of": entry.kind,
        "about": entry.about,
        "active": entry.active,
        "text": entry.text,
    }
    if entry.late:
        line["late"] = True
    return _dump(line)


def alarm_line(alarm: AlarmLine) -> bytes:
    """One alarm transition."""
    return _dump({"k": "alarm", "t": alarm.time_ns, "alarm": alarm.alarm})


def seal_line(time_ns: int, lines: int, before: _Hash) -> bytes:
    """A seal over the `lines` lines whose bytes `before` has taken, and over its own beginning."""
    head = b'{"k":"seal","t":%d,"lines":%d,"sha256":"' % (time_ns, lines)
    digest = before.copy()
    digest.update(head)
    return head + digest.hexdigest().encode() + b'"}\n'


def gap_line(time_ns: int, lost: int) -> bytes:
    """`lost` entries could not be kept before this line."""
    return b'{"k":"gap","t":%d,"lost":%d}\n' % (time_ns, lost)


def end_line(time_ns: int) -> bytes:
    """The session was closed in order."""
    return b'{"k":"end","t":%d}\n' % time_ns


def parse(line: bytes) -> dict[str, Any]:
    """The object of one line: it has a kind and a time. Raises CodecError."""
    found = _load(line)
    if not isinstance(found.get("k"), str) or not _whole(found.get("t")):
        raise CodecError("no kind 'k' or no time 't'")
    return found


def entry_of(found: dict[str, Any]) -> Entry | AlarmLine | None:
    """The entry (or alarm line) that an object holds; None for a kind that this program does not know. CodecError."""
    kind, time_ns = found["k"], found["t"]
    try:
        if kind == "reading":
            value = found["v"]
            if not (_whole(found["n"]) and isinstance(value, float | int) and isfinite(value)):
                raise CodecError("a reading whose number or value is not one")
            device = found.get("d")
            return Reading(
                _text(found["c"]),
                found["n"],
                time_ns,
                device if _whole(device) else None,
                float(value),
                Quality(found.get("q", "good")),
            )
        if kind == "tick":
            return Tick(time_ns)
        if kind == "action":
            return Action(time_ns, _text(found["do"]), dict(found.get("with", {})), _text(found["by"]))
        if kind == "notice":
            return Notice(
                time_ns,
                _text(found["of"]),
                _text(found["about"]),
                bool(found["active"]),
                _text(found["text"]),
                bool(found.get("late", False)),
            )
        if kind == "alarm":
            return AlarmLine(time_ns, dict(found["alarm"]))
    except (KeyError, TypeError, ValueError) as error:
        raise CodecError(f"a {kind} line that is not whole ({type(error).__name__}: {error})") from None
    return None


def _dump(line: dict[str, Any]) -> bytes:
    return orjson.dumps(line, option=orjson.OPT_APPEND_NEWLINE)


def _load(line: bytes) -> dict[str, Any]:
    try:
        found = orjson.loads(line)
    except orjson.JSONDecodeError as error:
        raise CodecError(f"not JSON ({error})") from None
    if not isinstance(found, dict):
        raise CodecError("not a JSON object")
    return found


def _whole(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError(f"{value!r} is not a text")
    return value
