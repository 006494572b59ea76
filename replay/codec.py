"""One line of a journal, both directions: entries to JSON objects and back. Pure.

Every line is one object; `k` names its kind and `t` is integer nanoseconds since the session began. Fields that hold what
they usually hold are left out. Floats are written in their shortest form that reads back to the same bits.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from math import isfinite
from typing import Any, Protocol, Self, TypeGuard

import orjson

from drivers.reading import Quality, Reading
from replay.entries import Action, Entry, Notice, Tick
from replay.migrations import STEPS, VERSION, migrated, readable

FORMAT = "inchwatch-journal"
ABOUT = (
    "One session of a lift monitor, one JSON object a line. k: kind of line; t: ns since the session began. reading: c channel, "
    "n its number, v value in SI (m, Pa gauge, N, rad, K, A, V), d the device's own clock (ns since 1970), q quality if not good. "
    "action: a person's; tick: the clock was looked at; notice: the world outside, of a link (about a "
    "port), a node (about a channel, whose sender is gone), the recorder, or being behind-time; alarm: a transition as it happened "
    "live; seal: sha256 of every byte before the digest, and how many lines stand before it; gap: entries (lost), alarm lines "
    "(alarms) that could not be kept, the first and the last of them at from and to; on: the session goes on in the next part; "
    "end: closed in order; cut: a repair left out what followed. In the header: session and part say which file of which session "
    "this is, before is the sha256 of the last seal of the part before, from when that one ended."
)


class JournalError(Exception):
    """A journal that cannot be begun or read. One sentence: where, what was found, what is allowed."""


@dataclass(frozen=True, slots=True)
class Header:
    """What a journal says of itself in its first line."""

    rig: str
    """The rig file, whole, as it was read, with the calibrations kept beside it."""
    rig_name: str
    software: str
    started: str
    """Wall clock at the session's beginning, ISO 8601 in UTC. The only time in the file that is not monotonic."""
    session: str = ""
    """Which session a part belongs to. Empty in a recording that was made before there were parts."""
    part: int = 1
    before: str = ""
    """The digest of the last seal of the part before; empty in the first."""
    from_ns: int = 0
    """When the part before ended; 0 in the first."""
    more: Mapping[str, Any] = field(default_factory=dict)
    version: int = VERSION
    """The format version of the file it was read from. What is written has always the newest."""


@dataclass(frozen=True, slots=True)
class Gap:
    """What could not be kept: how many entries and alarm lines, and the times of the first and the last of them.

    Times are None in a gap that was written before they were (format version 1)."""

    lost: int
    alarms: int
    from_ns: int | None
    to_ns: int | None


@dataclass(frozen=True, slots=True)
class Cut:
    """What a repair left out: so many bytes that stood after this place, and why.

    `unsealed`: how many of the lines before it no seal had proven. Times (None: none could be read) are the first and the last
    that stand in what was left out. `of` is the SHA-256 of the file that was repaired, "" where there was none.
    """

    size: int
    unsealed: int
    because: str
    from_ns: int | None
    to_ns: int | None
    of: str


@dataclass(frozen=True, slots=True)
class AlarmLine:
    """An alarm transition as it happened live. An output of the engine, kept beside its inputs."""

    time_ns: int
    alarm: dict[str, Any]


_KNOWN = {
    "k", "t", "format", "version", "software", "started", "session", "part", "before", "from", "rig_name", "about", "rig",
}  # fmt: skip


_PLAIN = 5
"""How many keys a reading has that says nothing unusual: k, t, c, n, v."""


class _Hash(Protocol):
    def copy(self) -> Self: ...
    def update(self, data: bytes, /) -> None: ...
    def hexdigest(self) -> str: ...


class CodecError(ValueError):
    """A line that is no line of a journal. The message says what was found."""


def header_line(header: Header) -> bytes:
    """The first line of a journal, or of a part of one."""
    chain = {"before": header.before, "from": header.from_ns} if header.part > 1 else {}
    return _dump(
        {
            "k": "header",
            "t": 0,
            "format": FORMAT,
            "version": VERSION,
            "software": header.software,
            "started": header.started,
            "session": header.session,
            "part": header.part,
            **chain,
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
    if not readable(version):
        raise CodecError(f"made in format version {version!r}; this program reads versions {min(STEPS)} to {VERSION}")
    found = migrated(found, version)
    texts = [found.get(key) for key in ("rig", "rig_name", "software", "started")]
    if not all(isinstance(text, str) for text in texts):
        raise CodecError("the header lacks its rig file, name, software version or date")
    rig, rig_name, software, started = (str(text) for text in texts)
    session, part, before, from_ns = (
        found.get("session"),
        found.get("part"),
        found.get("before", ""),
        found.get("from", 0),
    )
    if (
        not (isinstance(session, str) and isinstance(before, str) and _whole(part) and _whole(from_ns) and part >= 1)
        or (part > 1 and (not session or version == 1))  # no later part was ever written in version 1
    ):
        raise CodecError("the header does not say which part of which session this is")
    more = {key: value for key, value in found.items() if key not in _KNOWN}
    return Header(rig, rig_name, software, started, session, part, before, from_ns, more, version)


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


def digest_of(seal: bytes) -> str:
    """The digest in a seal's line."""
    return str(orjson.loads(seal)["sha256"])


def gap_line(time_ns: int, gap: Gap) -> bytes:
    """Entries and alarm lines that could not be kept before this line."""
    line = {"k": "gap", "t": time_ns, "lost": gap.lost, "from": gap.from_ns, "to": gap.to_ns}
    return _dump(line | ({"alarms": gap.alarms} if gap.alarms else {}))


def gap_of(found: dict[str, Any]) -> Gap:
    """The gap that an object holds. CodecError."""
    lost, alarms, from_ns, to_ns = found.get("lost"), found.get("alarms", 0), found.get("from", ""), found.get("to", "")
    if not (_whole(lost) and _whole(alarms) and all(it is None or _whole(it) for it in (from_ns, to_ns))):
        raise CodecError("a gap line that is not whole")
    return Gap(lost, alarms, from_ns, to_ns)


def cut_line(time_ns: int, cut: Cut) -> bytes:
    """A repair left out what stood after this line."""
    line = {"k": "cut", "t": time_ns, "bytes": cut.size, "unsealed": cut.unsealed, "because": cut.because}
    return _dump(line | {"from": cut.from_ns, "to": cut.to_ns, "of": cut.of})


def cut_of(found: dict[str, Any]) -> Cut:
    """The cut that an object holds. CodecError."""
    size, unsealed, from_ns, to_ns = (found.get(key) for key in ("bytes", "unsealed", "from", "to"))
    because, of = found.get("because"), found.get("of")
    times = all(it is None or _whole(it) for it in (from_ns, to_ns))
    if not (_whole(size) and _whole(unsealed) and times and isinstance(because, str) and isinstance(of, str)):
        raise CodecError("a cut line that is not whole")
    return Cut(size, unsealed, because, from_ns, to_ns, of)


def on_line(time_ns: int, part: int) -> bytes:
    """The session goes on in another part."""
    return b'{"k":"on","t":%d,"part":%d}\n' % (time_ns, part)


def end_line(time_ns: int) -> bytes:
    """The session was closed in order."""
    return b'{"k":"end","t":%d}\n' % time_ns


def parse(line: bytes) -> dict[str, Any]:
    """The object of one line: it has a kind and a time. Raises CodecError."""
    try:
        found: dict[str, Any] = orjson.loads(line)
        if type(found["k"]) is str and type(found["t"]) is int:
            return found
    except (orjson.JSONDecodeError, KeyError, TypeError):
        _load(line)  # which says so where it is no object at all
    raise CodecError("no kind 'k' or no time 't'")


def usual(line: bytes) -> Reading | Tick | dict[str, Any]:
    """The same where a line says something unusual; of a usual reading or tick, as nearly all are, what it holds. CodecError."""
    try:
        found = orjson.loads(line)
        kind, time_ns = found["k"], found["t"]
        if type(time_ns) is int:
            if kind == "reading":
                value, number, channel = found["v"], found["n"], found["c"]
                if type(value) is float and type(number) is int and type(channel) is str and len(found) == _PLAIN:
                    return Reading(channel, number, time_ns, None, value) if isfinite(value) else parse(line)
            elif kind == "tick":
                return Tick(time_ns)
    except (orjson.JSONDecodeError, KeyError, TypeError):
        pass
    return parse(line)


def entry_of(found: dict[str, Any]) -> Entry | AlarmLine | None:
    """The entry (or alarm line) that an object holds; None for a kind that this program does not know. CodecError."""
    made = _MADE.get(found["k"])
    if made is None:
        return None
    try:
        return made(found, found["t"])
    except (KeyError, TypeError, ValueError) as error:
        raise CodecError(f"a {found['k']} line that is not whole ({type(error).__name__}: {error})") from None


def _reading(found: dict[str, Any], time_ns: int) -> Reading:
    value, number, device = found["v"], found["n"], found.get("d", 0)
    if not (_whole(number) and _whole(device) and (_whole(value) or isinstance(value, float)) and isfinite(value)):
        raise CodecError("a reading whose number, value or device's time is not one")
    channel = _text(found["c"])
    quality = Quality(found["q"]) if "q" in found else Quality.GOOD
    return Reading(channel, number, time_ns, found.get("d"), float(value), quality)


def _tick(_: dict[str, Any], time_ns: int) -> Tick:
    return Tick(time_ns)


def _action(found: dict[str, Any], time_ns: int) -> Action:
    return Action(time_ns, _text(found["do"]), _table(found.get("with", {})), _text(found["by"]))


def _notice(found: dict[str, Any], time_ns: int) -> Notice:
    return Notice(
        time_ns,
        _text(found["of"]),
        _text(found["about"]),
        _truth(found["active"]),
        _text(found["text"]),
        _truth(found.get("late", False)),
    )


def _alarm(found: dict[str, Any], time_ns: int) -> AlarmLine:
    return AlarmLine(time_ns, _table(found["alarm"]))


_MADE: dict[str, Callable[[dict[str, Any], int], Entry | AlarmLine]] = {
    "reading": _reading,
    "tick": _tick,
    "action": _action,
    "notice": _notice,
    "alarm": _alarm,
}
"""What is made of each kind of line. KeyError, TypeError or ValueError where it is not whole."""


def _dump(line: dict[str, Any]) -> bytes:
    return orjson.dumps(line, option=orjson.OPT_APPEND_NEWLINE)


def _load(line: bytes) -> dict[str, Any]:
    try:
        found = orjson.loads(line)
    except orjson.JSONDecodeError as error:
        raise CodecError(f"not JSON ({error})") from None
    if type(found) is not dict:
        raise CodecError("not a JSON object")
    return found


def _whole(value: object) -> TypeGuard[int]:
    return isinstance(value, int) and not isinstance(value, bool)


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError(f"{value!r} is not a text")
    return value


def _truth(value: object) -> bool:
    if not isinstance(value, bool):
        raise TypeError(f"{value!r} is neither true nor false")
    return value


def _table(value: object) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise TypeError(f"{value!r} is no table")
    return value
