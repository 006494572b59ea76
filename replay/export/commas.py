"""Tables as comma-separated values (RFC 4180, UTF-8), and beside them a description of every column (W3C CSV on the Web, 2015).

A value that is not known is an empty field. Floats are written in the shortest form that reads back to the same bits.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, TextIO

from replay.export.table import ExportError, Kind, Row, Table, file_of, moment_text

_TYPES = {
    Kind.WHOLE: "integer",
    Kind.NUMBER: "double",
    Kind.TRUTH: "boolean",
    Kind.TEXT: "string",
    Kind.MOMENT: "dateTimeStamp",
    Kind.OBJECT: "json",
}


class CsvWriter:
    """Writes a file a table, and one that describes them. Raises ExportError where one is there already or cannot be made."""

    def __init__(self, output: Path, tables: Sequence[Table]) -> None:
        self.files: list[Path] = []
        self._tables = tables
        self._open: list[TextIO] = []
        self._rows: dict[str, Any] = {}
        self._shown: dict[str, list[tuple[int, Kind]]] = {}
        self._names: dict[str, str] = {}
        try:
            for table in tables:
                file = self._new(file_of(output, table.name, len(tables) == 1))
                self._names[table.name] = self.files[-1].name
                self._rows[table.name] = csv.writer(file, lineterminator="\r\n")
                self._rows[table.name].writerow(it.name for it in table.columns)
                self._shown[table.name] = [
                    (at, it.kind)
                    for at, it in enumerate(table.columns)
                    if it.kind in (Kind.TRUTH, Kind.MOMENT, Kind.OBJECT)
                ]
            self._about = self._new(output.with_name(f"{output.name}-metadata.json"))
        except OSError as error:
            self.discard()
            raise ExportError(f"{error.filename or output}: {error.strerror}") from None

    def _new(self, path: Path) -> TextIO:
        try:
            self._open.append(path.open("x", encoding="utf-8", newline=""))
        except FileExistsError:
            self.discard()
            raise ExportError(f"{path}: is there already, and nothing is written over; name another") from None
        self.files.append(path)
        return self._open[-1]

    def write(self, table: str, row: Row) -> None:
        """Add a row."""
        shown = list(row)
        for at, kind in self._shown[table]:
            if (value := shown[at]) is not None:
                if kind is Kind.TRUTH:
                    shown[at] = "true" if value else "false"
                else:
                    shown[at] = moment_text(value) if kind is Kind.MOMENT else value.decode()
        self._rows[table].writerow(shown)

    def close(self, about: Mapping[str, str]) -> None:
        """Describe the columns, and finish."""
        described = {
            "@context": ["http://www.w3.org/ns/csvw", {"@language": "en"}],
            "notes": [dict(about)],
            "tables": [
                {
                    "url": self._names[table.name],
                    "dc:title": table.name,
                    "dc:description": table.means,
                    "tableSchema": {"columns": [_column(table, at) for at in range(len(table.columns))]},
                }
                for table in self._tables
            ],
        }
        json.dump(described, self._about, indent=1, ensure_ascii=False)
        for file in self._open:
            file.close()

    def discard(self) -> None:
        """Leave nothing behind."""
        for file in self._open:
            with suppress(OSError):
                file.close()
        for path in self.files:
            path.unlink(missing_ok=True)


def _column(table: Table, at: int) -> dict[str, Any]:
    it = table.columns[at]
    found: dict[str, Any] = {"name": f"c{at + 1}", "titles": it.name, "datatype": _TYPES[it.kind]}
    if it.means:
        found["dc:description"] = it.means
    return found | ({"schema:unitText": it.unit} if it.unit else {})
