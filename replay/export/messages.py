"""Tables as MCAP, one file: a topic for each thing, JSON messages, each topic with its JSON Schema, so that general viewers plot
them.

A message's time is wall clock. What is not known is null. What all of it is stands in a metadata record, and the rig file is
attached.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import orjson
from mcap.writer import CompressionType, Writer

from replay.export.table import Column, ExportError, Kind, Row, Table

_TYPES: dict[Kind, list[str] | None] = {
    Kind.WHOLE: ["integer", "null"],
    Kind.NUMBER: ["number", "null"],
    Kind.TRUTH: ["boolean", "null"],
    Kind.TEXT: ["string", "null"],
    Kind.MOMENT: ["integer", "null"],
    Kind.OBJECT: None,
}
NAME = "inchwatch"
"""Of the metadata record."""


class McapWriter:
    """Writes one file. Each table has a column of kind MOMENT that is the time of its messages, or else `time_ns`.

    Raises ExportError where the file is there already or cannot be made.
    """

    def __init__(self, output: Path, tables: Sequence[Table]) -> None:
        self.files = [output]
        try:
            self._file = output.open("xb")
        except FileExistsError:
            raise ExportError(f"{output}: is there already, and nothing is written over; name another") from None
        except OSError as error:
            raise ExportError(f"{output}: {error.strerror}") from None
        self._writer = Writer(self._file, compression=CompressionType.ZSTD, enable_data_crcs=True)
        self._writer.start(profile="", library="inchwatch")
        self._topics = {table.name: _Topics(self._writer, table) for table in tables}

    def write(self, table: str, row: Row) -> None:
        """Add a row: a message on each of its topics."""
        self._topics[table].write(row)

    def close(self, about: Mapping[str, str]) -> None:
        """Attach the rig file (`about["rig"]`), say the rest in a metadata record, and finish."""
        rest = {key: value for key, value in about.items() if key != "rig"}
        self._writer.add_metadata(NAME, rest)
        if "rig" in about:
            self._writer.add_attachment(0, 0, "rig.toml", "application/toml", about["rig"].encode())
        self._writer.finish()
        self._file.close()

    def discard(self) -> None:
        """Leave nothing behind."""
        with suppress(OSError):
            self._file.close()
        for path in self.files:
            path.unlink(missing_ok=True)


class _Topics:
    def __init__(self, writer: Writer, table: Table) -> None:
        self._writer, self._table = writer, table
        names = [it.name for it in table.columns]
        moments = [at for at, it in enumerate(table.columns) if it.kind is Kind.MOMENT]
        self._wall, self._time = (moments[0] if moments else None), names.index("time_ns")
        self._apart = names.index(table.apart) if table.apart else None
        groups: dict[str, list[int]] = {}
        for at, column in enumerate(table.columns):
            groups.setdefault(column.group, []).append(at)
        self._groups = [
            (group, [(at, table.columns[at].key or table.columns[at].name, table.columns[at].kind) for at in ats])
            for group, ats in groups.items()
        ]
        self._channels: dict[str, int] = {}
        self._counts: dict[int, int] = {}

    def write(self, row: Row) -> None:
        wall = None if self._wall is None else row[self._wall]
        time_ns = max(0, row[self._time] if wall is None else wall)
        for group, columns in self._groups:
            topic = "/".join(
                filter(None, ("", self._table.name, group, "" if self._apart is None else str(row[self._apart])))
            )
            topic = f"/{topic.lstrip('/')}"
            channel = self._channels.get(topic)
            if channel is None:
                channel = self._channels[topic] = self._register(topic, [at for at, _, _ in columns])
            message = {
                key: orjson.Fragment(row[at]) if kind is Kind.OBJECT and row[at] is not None else row[at]
                for at, key, kind in columns
            }
            number = self._counts[channel] = self._counts.get(channel, -1) + 1
            self._writer.add_message(channel, time_ns, orjson.dumps(message), time_ns, number % 2**32)

    def _register(self, topic: str, ats: list[int]) -> int:
        columns = [self._table.columns[at] for at in ats]
        schema = self._writer.register_schema(topic.lstrip("/"), "jsonschema", orjson.dumps(_schema(columns)))
        units = {it.key or it.name: it.unit for it in columns if it.unit}
        channel: int = self._writer.register_channel(topic, "json", schema, {"units": orjson.dumps(units).decode()})
        return channel


def _schema(columns: Sequence[Column]) -> dict[str, Any]:
    properties: dict[str, Any] = {}
    for it in columns:
        kinds = _TYPES[it.kind]
        properties[it.key or it.name] = {
            **({"type": kinds} if kinds is not None else {}),
            "description": f"{it.means} [{it.unit}]".strip() if it.unit else it.means,
        }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }
