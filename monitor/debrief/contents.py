"""The body of `inchwatch journal`: what a recording's files are worth, what is in them, and a repair into new files."""

from __future__ import annotations

import re
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import orjson

from drivers.reading import Quality, Reading
from drivers.units import UnitError, to_si
from monitor import quantities
from monitor.encode import Json, seconds
from monitor.rig.load import RigFaults, kept_rig
from replay.codec import AlarmLine, JournalError, alarm_line, entry_line
from replay.entries import Action, Entry, Notice, Tick
from replay.journal import Journal
from replay.recording import Recording, read_recording
from replay.repair import repair

KINDS = {"reading": Reading, "tick": Tick, "action": Action, "notice": Notice, "alarm": AlarmLine}
Line = Entry | AlarmLine


@dataclass(frozen=True, slots=True)
class Call:
    """What was typed. `kinds` and `channels`: those alone, where there are any; `begin` and `end`: times since the beginning."""

    file: str
    as_json: bool = False
    show: bool = False
    kinds: Sequence[str] = ()
    channels: Sequence[str] = ()
    begin: str | None = None
    end: str | None = None
    repair: str | None = None


class BadCall(ValueError):
    """The call is wrong. The message says what was found and what is allowed."""


def journal(call: Call) -> int:
    """Check the seals of a recording, and say or print what is in it; returns the exit code: 0 if it is whole or was repaired, 1
    if anything is wrong with it, 2 where the call is wrong or a file to write is there already."""
    try:
        wanted = _Wanted(call)
        recording = read_recording(Path(call.file))
    except BadCall as error:
        print(f"inchwatch journal: {error}", file=sys.stderr)
        return 2
    except JournalError as error:
        print(f"inchwatch journal: {error}", file=sys.stderr)
        return 1
    counts = _Counts()
    shown = _Shown(recording) if call.show and not call.as_json else None
    for line in recording.lines():
        counts.take(line)
        if call.show and wanted.takes(line):
            print(_as_kept(line) if shown is None else shown.line(line))
    for part in recording.parts[recording.part + 1 :]:  # not played, and yet each is sealed by itself
        for _ in part.lines():
            pass
    if call.repair is not None:
        return _repair(recording, Path(call.repair))
    if call.show:
        for name in wanted.silent():
            print(f"inchwatch journal: --channel {name}: nothing in it is of that name", file=sys.stderr)
        if recording.damage is not None:
            print(f"inchwatch journal: {recording.path}: {recording.damage}", file=sys.stderr)
    else:
        found = contents(recording, counts)
        print(orjson.dumps(found).decode() if call.as_json else in_words(found))
    return int(not recording.complete)


def _repair(recording: Recording, target: Path) -> int:
    try:
        made = repair(recording, target)
    except JournalError as error:
        print(f"inchwatch journal: {error}", file=sys.stderr)
        return 2
    again = read_recording(target)
    entries = sum(1 for _ in again.lines())
    said = "whole: it was closed in order" if again.complete else again.damage
    print(f"{', '.join(map(str, made))}: {entries} entries and alarm lines; {said}")
    return 0


class _Counts:
    """How many there are of what in the lines that are played."""

    def __init__(self) -> None:
        self.kinds: Counter[str] = Counter()
        self.channels: Counter[str] = Counter()
        self.rules: Counter[str] = Counter()
        self.first_ns: int | None = None
        self.last_ns: int | None = None

    def take(self, line: Line) -> None:
        self.kinds[_kind(line)] += 1
        if isinstance(line, Reading):
            self.channels[line.channel] += 1
        elif isinstance(line, AlarmLine) and line.alarm.get("state") == "unacknowledged":
            self.rules[f"{line.alarm.get('priority')} {line.alarm.get('rule')} {line.alarm.get('about')}"] += 1
        at = line.time_ns
        self.first_ns = at if self.first_ns is None else min(self.first_ns, at)
        self.last_ns = at if self.last_ns is None else max(self.last_ns, at)


def contents(recording: Recording, counts: _Counts) -> Json:
    """What is in a recording that was played, and what its seals prove, as published. Times in s, places in bytes."""
    header = recording.header
    return {
        "file": str(recording.path),
        "rig": header.rig_name,
        "session": header.session,
        "started": header.started,
        "software": header.software,
        "version": header.version,
        "complete": recording.complete,
        "damage": recording.damage,
        "from": seconds(counts.first_ns),
        "to": seconds(counts.last_ns),
        "entries": {kind: counts.kinds[kind] for kind in KINDS},
        "channels": dict(sorted(counts.channels.items())),
        "alarms": dict(counts.rules.most_common()),
        "gaps": [asdict(it) for it in recording.gaps],
        "passed_over": recording.unknown,
        "parts": [_part(it, played=number <= recording.part) for number, it in enumerate(recording.parts)],
    }


def _part(part: Journal, *, played: bool) -> Json:
    size = part.path.stat().st_size
    found = {
        "file": part.path.name,
        "part": part.header.part,
        "bytes": size,
        "seals": part.sealed.seals,
        "sealed_lines": part.sealed.lines,
        "sealed_bytes": part.sealed.size,
        "last_seal": part.sealed.digest or None,
        "played": played,
        "fault": None,
    }
    if part.damage is not None:
        line, at = part.stop
        found["fault"] = {"line": line, "byte": at, "found": part.damage, "unplayed_bytes": max(0, size - at)}
    return found


def in_words(found: Json) -> str:
    """What is in a recording, for a person."""
    time = "no entries" if found["to"] is None else f"{found['from']:.1f} s to {found['to']:.1f} s"
    said = [
        f"{found['file']}: {found['rig']}, begun {found['started']}, {time}",
        f"  made by {found['software']}, format version {found['version']}"
        + (f", session {found['session']}" if found["session"] else ""),
        "  " + ", ".join(f"{count} {kind}{'s' * (count != 1)}" for kind, count in found["entries"].items()),
    ]
    said += [f"  {count:8} readings of {name}" for name, count in found["channels"].items()]
    said += [f"  {count:8} times raised: {rule}" for rule, count in found["alarms"].items()]
    said += [
        f"  LOST: {it['lost']} entries and {it['alarms']} alarm lines, while nothing could be written"
        for it in found["gaps"]
    ]
    if found["passed_over"]:
        said.append(f"  {found['passed_over']} lines of kinds that this program does not know")
    for part in found["parts"]:
        share = f"{part['sealed_bytes']} of {part['bytes']} bytes"
        said.append(
            f"  {part['file']}: {part['seals']} seals hold, over {part['sealed_lines']} lines, {share}"
            + ("" if part["played"] else "; not played")
        )
        if (fault := part["fault"]) is not None:
            said.append(f"    line {fault['line']}, byte {fault['byte']}: {fault['found']}")
    said.append(
        "  whole: every seal holds, and it was closed in order" if found["complete"] else f"  {found['damage']}"
    )
    return "\n".join(said)


class _Wanted:
    """Which lines are asked for. Raises BadCall."""

    def __init__(self, call: Call) -> None:
        if not call.show and (call.kinds or call.channels or call.begin or call.end):
            raise BadCall("--kind, --channel, --from and --to say what --print prints: not without it")
        if call.repair is not None and (call.show or call.as_json):
            raise BadCall("--repair writes a file: not with --print or --json")
        self._kinds = set(call.kinds)
        self._channels = dict.fromkeys(call.channels, False)
        """Each with whether anything was of that name."""
        self._from_ns, self._to_ns = _moment("--from", call.begin), _moment("--to", call.end)
        if self._from_ns is not None and self._to_ns is not None and self._to_ns < self._from_ns:
            raise BadCall(f"--to: found '{call.end}', allowed is a time not before --from {call.begin}")
        if self._channels and self._kinds and not self._kinds & {"reading", "notice"}:
            raise BadCall("--channel is of readings and notices: not with --kind of others alone")

    def takes(self, line: Line) -> bool:
        """Whether it is one of them. A channel is a reading's, and what a notice may be about."""
        if self._channels:
            name = line.channel if isinstance(line, Reading) else line.about if isinstance(line, Notice) else None
            if name not in self._channels:
                return False
            self._channels[name] = True
        if self._kinds and _kind(line) not in self._kinds:
            return False
        return (self._from_ns is None or line.time_ns >= self._from_ns) and (
            self._to_ns is None or line.time_ns <= self._to_ns
        )

    def silent(self) -> list[str]:
        """Channels of which there was nothing, once all lines were asked about."""
        return [name for name, heard in self._channels.items() if not heard]


def _moment(option: str, given: str | None) -> int | None:
    if given is None:
        return None
    try:
        found = float(given) if re.fullmatch(r"[0-9]{1,9}(\.[0-9]{0,9})?", given) else to_si("time", given)
    except UnitError as error:
        raise BadCall(f"{option}: found '{given}', allowed is {error}") from None
    return round(found * 1e9)


def _kind(line: Line) -> str:
    return next(kind for kind, made in KINDS.items() if isinstance(line, made))


def _as_kept(line: Line) -> str:
    return (alarm_line(line) if isinstance(line, AlarmLine) else entry_line(line)).decode().rstrip("\n")


class _Shown:
    """Lines for a person, in the rig's own units; in SI alone where its rig file cannot be understood."""

    def __init__(self, recording: Recording) -> None:
        try:
            rig = kept_rig(recording.header.rig, f"{recording.path}: rig file")
        except RigFaults:
            self._units, self._quantities = "metric", dict[str, str]()
        else:
            self._units, self._quantities = rig.rig.units, {it.name: str(it.quantity) for it in rig.channel}

    def line(self, line: Line) -> str:
        """One line of text."""
        return f"{line.time_ns * 1e-9:12.4f} s  {_kind(line):8}" + "  ".join(self._said(line)).rstrip()

    def _said(self, line: Line) -> Iterator[str]:
        if isinstance(line, Reading):
            quantity = self._quantities.get(line.channel)
            yield f"{line.channel:24}"
            yield repr(line.value) if quantity is None else quantities.value(line.value, quantity, self._units)
            yield f"number {line.sequence}" + ("" if line.quality is Quality.GOOD else f", {line.quality.value}")
        elif isinstance(line, Action):
            yield f"{line.do} by {line.by}"
            yield ", ".join(f"{key} {value}" for key, value in line.details.items())
        elif isinstance(line, Notice):
            yield f"{line.kind} {line.about}"
            yield ("trouble: " if line.active else "well: ") + line.text + (" (written late)" if line.late else "")
        elif isinstance(line, AlarmLine):
            yield f"{line.alarm.get('state')}"
            yield f"{line.alarm.get('text')}"
