"""Tables as Apache Parquet, a file a table: unit and meaning of a column in its own metadata, the rest in the file's.

Written in groups of rows, so that the memory it takes does not grow with the recording. A value that is not known is null.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from replay.export.table import ExportError, Kind, Row, Table, file_of

_TYPES = {
    Kind.WHOLE: pa.int64(),
    Kind.NUMBER: pa.float64(),
    Kind.TRUTH: pa.bool_(),
    Kind.TEXT: pa.string(),
    Kind.MOMENT: pa.timestamp("ns", "UTC"),
    Kind.OBJECT: pa.string(),
}
_CELLS = 400_000
"""Values of a group of rows: some 15 MB while they wait."""


class ParquetWriter:
    """Writes a file a table. Raises ExportError where one is there already or cannot be made."""

    def __init__(self, output: Path, tables: Sequence[Table]) -> None:
        self.files: list[Path] = []
        self._tables: dict[str, _One] = {}
        try:
            for table in tables:
                path = file_of(output, table.name, len(tables) == 1)
                file = path.open("xb")
                self.files.append(path)
                self._tables[table.name] = _One(table, file)
        except FileExistsError:
            self.discard()
            raise ExportError(f"{path}: is there already, and nothing is written over; name another") from None
        except OSError as error:
            self.discard()
            raise ExportError(f"{error.filename or output}: {error.strerror}") from None

    def write(self, table: str, row: Row) -> None:
        """Add a row."""
        self._tables[table].add(row)

    def close(self, about: Mapping[str, str]) -> None:
        """Write what waits, and what all of it is."""
        for table in self._tables.values():
            table.close(about)

    def discard(self) -> None:
        """Leave nothing behind."""
        for table in self._tables.values():
            with suppress(OSError, pa.ArrowException):
                table.close({})
        for path in self.files:
            path.unlink(missing_ok=True)


class _One:
    def __init__(self, table: Table, file: Any) -> None:
        self._schema = pa.schema(
            [pa.field(it.name, _TYPES[it.kind], metadata={"unit": it.unit, "means": it.means}) for it in table.columns],
            metadata={"table": table.name, "means": table.means},
        )
        self._objects = [at for at, it in enumerate(table.columns) if it.kind is Kind.OBJECT]
        self._most = max(1, _CELLS // len(table.columns))
        self._file, self._rows = file, list[Row]()
        self._writer = pq.ParquetWriter(file, self._schema, compression="zstd")

    def add(self, row: Row) -> None:
        self._rows.append(row)
        if len(self._rows) == self._most:
            self._flush()

    def _flush(self) -> None:
        columns = [list(it) for it in zip(*self._rows, strict=True)]
        for at in self._objects:
            columns[at] = [None if it is None else it.decode() for it in columns[at]]
        arrays = [pa.array(values, field.type) for values, field in zip(columns, self._schema, strict=True)]
        self._writer.write_table(pa.Table.from_arrays(arrays, schema=self._schema))
        self._rows = []

    def close(self, about: Mapping[str, str]) -> None:
        if self._rows:
            self._flush()
        self._writer.add_key_value_metadata(dict(about))
        self._writer.close()
        self._file.close()
