"""What a season's run has judged so far, kept beside its result, a row a line: a run that was cut off goes on where it stopped.

`season.parquet` is written whole at the end, and only then takes the place of an older one; until then every row stands in
`season.parquet.rows` as soon as it is there. A row counts again if the same bytes were judged by the same program under the
same limits; a recording that could not be judged is tried again.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import orjson

from monitor.encode import Json

Key = tuple[str, str, bytes]


def key_of(row: Json) -> Key:
    """What a row depends on: the bytes, the program, the limits."""
    return row.get("sha256", ""), row["judge"], _limits(row["limits"])


def key(sha256: str, judge: str, limits: dict[str, Any] | None) -> Key:
    """The same of what is yet to be judged."""
    return sha256, judge, _limits(limits)


def _limits(limits: dict[str, Any] | None) -> bytes:
    return orjson.dumps(limits, option=orjson.OPT_SORT_KEYS)


class Kept:
    """The rows of a run that is going on. A second run onto the same result is refused: OSError (EWOULDBLOCK or EACCES)."""

    def __init__(self, result: Path) -> None:
        self.path = result.with_name(result.name + ".rows")
        self._file = self.path.open("a+b")
        try:
            _only_one(self._file.fileno())
        except OSError:
            self._file.close()
            raise
        self.rows: list[Json] = list(self._read())

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, where: TracebackType | None
    ) -> None:
        self._file.close()

    def _read(self) -> Iterable[Json]:
        """Rows of a run that was cut off; a line that it did not end is taken away."""
        self._file.seek(0)
        whole = 0
        for line in self._file:
            try:
                row = orjson.loads(line)
            except orjson.JSONDecodeError:
                break
            if not line.endswith(b"\n") or not isinstance(row, dict):
                break
            whole += len(line)
            yield row
        self._file.truncate(whole)

    def add(self, row: Json) -> None:
        """Keep one more row."""
        self._file.write(orjson.dumps(row, option=orjson.OPT_APPEND_NEWLINE))
        self._file.flush()

    def done(self) -> None:
        """The result is written: what was kept for it is not needed any more."""
        self.path.unlink(missing_ok=True)


def _only_one(file: int) -> None:
    try:
        import fcntl
    except ImportError:  # no POSIX: two runs onto one result are then the caller's to avoid
        return
    fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)


def replaced(result: Path, write: Any) -> None:
    """Have `write(path)` make a file beside the result, and put it in its place at once. OSError."""
    beside = result.with_name(result.name + ".new")
    try:
        write(beside)
        os.replace(beside, result)
    finally:
        beside.unlink(missing_ok=True)
