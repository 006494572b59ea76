"""A session as tables: readings, pictures with every figure, what people did, notices, alarms. All SI, None where not known.

Figures are those of the picture's own classes, by their names there: a field that is added to one becomes a column.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Set
from dataclasses import fields
from datetime import UTC, datetime
from enum import Enum
from typing import Any

import orjson

from drivers.reading import Reading
from monitor.debrief.began import began
from monitor.engine import picture as of
from monitor.engine.picture import Picture
from monitor.rig.schema import Rig
from replay.codec import AlarmLine
from replay.entries import Action, Entry, Notice
from replay.export.table import Column, Kind, Row, Table

_SUFFIXES = {
    "_m_s": "m/s",
    "_pa_s": "Pa/s",
    "_nm": "N.m",
    "_pa": "Pa",
    "_rad": "rad",
    "_ns": "ns",
    "_m": "m",
    "_n": "N",
    "_s": "s",
}
SHARES = {"a", "b", "use", "lean_use", "progress"}
"""Figures without a unit: slopes of the pose, shares of a limit or of a way."""
_UNITS = {
    "length": "m",
    "pressure": "Pa",
    "force": "N",
    "angle": "rad",
    "temperature": "K",
    "current": "A",
    "voltage": "V",
}
_KINDS = {"float": Kind.NUMBER, "int": Kind.WHOLE, "bool": Kind.TRUTH, "str": Kind.TEXT, "SensorStatus": Kind.TEXT}
_LARGEST = 2**63 - 1
_PARTS_OF_PICTURE = {
    "rig",
    "steps",
    "alarms",
    "transitions",
    "blind",
    "sensors",
    "ports",
    "answer",
    "checklist",
    "questions",
}
"""What a picture says beside its figures: in a table of its own, or in words for a screen."""

_TIMES = (
    Column("time_ns", Kind.WHOLE, "ns", "time since the session began"),
    Column("time_s", Kind.NUMBER, "s", "the same in seconds, rounded to a float"),
    Column("wall_time", Kind.MOMENT, "", "the session's beginning by the wall clock, and the time since"),
)


def unit_of(name: str) -> str:
    """The unit that the name of a figure ends in."""
    return "1" if name in SHARES else next((unit for end, unit in _SUFFIXES.items() if name.endswith(end)), "")


class Rows:
    """The tables of one session, and its rows. `started`: its beginning by the wall clock (ISO 8601)."""

    def __init__(self, rig: Rig, started: str) -> None:
        self._started_ns = _moment_ns(started)
        self._quantities = {it.name: str(it.quantity) for it in rig.channel}
        self._columns: list[Column] = [*_TIMES]
        self._gets: list[Callable[[Picture], Any]] = []
        self._pictures(rig)
        self.tables = (_READINGS, Table("pictures", "each tick's picture", tuple(self._columns)), *_REST)

    def line(self, line: Entry | AlarmLine) -> tuple[str, Row] | None:
        """(table, row) of a line of the journal; None for one that has none."""
        if isinstance(line, Reading):
            quantity = self._quantities.get(line.channel)
            unit = None if quantity is None else _UNITS[quantity]
            values = line.channel, line.value, unit, line.quality.value, line.device_time_ns, line.sequence
            return "readings", (*self._times(line.time_ns), *values)
        if isinstance(line, Action):
            return "actions", (
                *self._times(line.time_ns),
                line.do or None,
                line.by or None,
                orjson.dumps(dict(line.details)),
            )
        if isinstance(line, Notice):
            words = line.kind or None, line.about or None, line.active, line.text or None, line.late
            return "notices", (*self._times(line.time_ns), *words)
        return None

    def picture(self, picture: Picture) -> Iterator[tuple[str, Row]]:
        """(table, row) of each change of an alarm since the last picture, then of the picture itself."""
        for change in picture.transitions:
            it = change.alarm
            yield (
                "alarms",
                (
                    *self._times(change.time_ns),
                    it.state.value,
                    it.rule,
                    it.about or None,
                    it.priority.word,
                    it.raised_ns,
                    it.cleared_ns,
                    it.acknowledged_ns,
                    it.text or None,
                    orjson.dumps(dict(it.evidence)),
                    it.first,
                    it.under,
                    it.chattering,
                ),
            )
        yield "pictures", (*self._times(picture.time_ns), *(get(picture) for get in self._gets))

    def _times(self, time_ns: int) -> tuple[int, float, int | None]:
        wall = None if self._started_ns is None else self._started_ns + time_ns
        return time_ns, time_ns / 1_000_000_000, wall if wall is not None and abs(wall) <= _LARGEST else None

    def _pictures(self, rig: Rig) -> None:
        self._part(
            "",
            "",
            Picture,
            lambda it: it,
            _PARTS_OF_PICTURE | {"time_ns", "step", "zero", "load", "hinge", "balance", "stacks", "shores"},
        )
        self._part("step", "step", of.NowPicture, lambda it: it.step)
        self._part("zero", "zero", of.ZeroPicture, lambda it: it.zero)
        self._part("load", "load", of.LoadPicture, lambda it: it.load)
        self._part("hinge", "hinge", of.HingePicture, lambda it: it.hinge)
        self._part("balance", "balance", of.BalancePicture, lambda it: it.balance)
        for i, stack in enumerate(rig.stack):
            named = f"stack.{stack.name}", f"stack/{stack.name}"
            self._part(*named, of.StackPicture, lambda it, i=i: it.stacks[i], {"name", "bags"})
            for j, bag in enumerate(stack.bag):
                named = f"bag.{bag.name}", f"bag/{bag.name}"
                self._part(*named, of.BagPicture, lambda it, i=i, j=j: it.stacks[i].bags[j], {"name"})
        for i, shore in enumerate(rig.shore):
            named = f"shore.{shore.name}", f"shore/{shore.name}"
            self._part(*named, of.ShorePicture, lambda it, i=i: it.shores[i], {"name"})
        for i, channel in enumerate(rig.channel):
            named = f"sensor.{channel.name}", f"sensor/{channel.name}"
            but = {"name", "quantity", "port"}
            unit = _UNITS[str(channel.quantity)]
            self._part(*named, of.SensorPicture, lambda it, i=i: it.sensors[i], but, unit)
        for i, port in enumerate(rig.port):
            named = f"port.{port.name}", f"port/{port.name}"
            self._part(*named, of.PortPicture, lambda it, i=i: it.ports[i], {"name"})

    def _part(
        self,
        name: str,
        group: str,
        made: Any,
        part: Callable[..., Any],
        but: Set[str] = frozenset(),
        unit: str = "",
    ) -> None:
        """The columns of a part of the picture; `unit`: of its values that are in a channel's own."""
        for it in fields(made):
            if it.name in but:
                continue
            kind = _KINDS.get(str(it.type).removesuffix(" | None"), Kind.OBJECT)
            own = unit if unit and it.name in ("value", "calibration_sd") else unit_of(it.name)
            self._columns.append(Column(f"{name}.{it.name}".lstrip("."), kind, own, "", group, it.name))
            self._gets.append(_getter(part, it.name, kind))


def _getter(part: Callable[..., Any], name: str, kind: Kind) -> Callable[[Picture], Any]:
    def get(picture: Picture) -> Any:
        it = part(picture)
        value = None if it is None else getattr(it, name)
        if value is None or value == "":
            return None
        if kind is Kind.OBJECT:
            return orjson.dumps(value)
        return value.value if isinstance(value, Enum) else value

    return get


def _moment_ns(started: str) -> int | None:
    when = began(started)
    if when is None:
        return None
    since = when - datetime(1970, 1, 1, tzinfo=UTC)
    return (since.days * 86_400 + since.seconds) * 1_000_000_000 + since.microseconds * 1_000


_READINGS = Table(
    "readings",
    "each value that a sensor sent",
    (
        *_TIMES,
        Column("channel", Kind.TEXT, "", "as the rig file names it"),
        Column("value", Kind.NUMBER, "", "SI, in the unit beside it"),
        Column("unit", Kind.TEXT, "", "unit of the value; not known of a channel that the rig file does not name"),
        Column("quality", Kind.TEXT, "", "good, old, or a word of NAMUR NE 107"),
        Column("device_time_ns", Kind.WHOLE, "ns", "the device's own clock, since 1970"),
        Column("sequence", Kind.WHOLE, "1", "counts the readings of the channel from 0"),
    ),
    apart="channel",
)
_REST = (
    Table(
        "actions",
        "what people did at the monitor",
        (*_TIMES, Column("do", Kind.TEXT), Column("by", Kind.TEXT), Column("with", Kind.OBJECT, "", "its words, SI")),
    ),
    Table(
        "notices",
        "what the world outside said: links, senders, the recorder",
        (
            *_TIMES,
            Column("kind", Kind.TEXT),
            Column("about", Kind.TEXT),
            Column("active", Kind.TRUTH, "", "whether the trouble stands"),
            Column("text", Kind.TEXT),
            Column("late", Kind.TRUTH, "", "written after it happened"),
        ),
    ),
    Table(
        "alarms",
        "each change of an alarm, as the engine says it",
        (
            *_TIMES,
            Column("state", Kind.TEXT),
            Column("rule", Kind.TEXT),
            Column("about", Kind.TEXT),
            Column("priority", Kind.TEXT),
            Column("raised_ns", Kind.WHOLE, "ns"),
            Column("cleared_ns", Kind.WHOLE, "ns"),
            Column("acknowledged_ns", Kind.WHOLE, "ns"),
            Column("text", Kind.TEXT),
            Column("evidence", Kind.OBJECT, "", "what it rests on, SI, each key with its unit at its end"),
            Column("first", Kind.TRUTH),
            Column("under", Kind.TEXT),
            Column("chattering", Kind.TRUTH),
        ),
    ),
)
