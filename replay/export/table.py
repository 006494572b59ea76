"""What a table is: its columns, each with kind, unit and meaning; and what every writer of one can do."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Any, Protocol

Row = Sequence[Any]


class Kind(StrEnum):
    """What stands in a column. None is "not known" in all of them, and no other value is."""

    WHOLE = "whole"
    NUMBER = "number"
    TRUTH = "truth"
    TEXT = "text"
    MOMENT = "moment"
    """ns since 1970-01-01 UTC."""
    OBJECT = "object"
    """Anything that JSON holds, as its text (bytes)."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column. `unit` is written as UCUM has it ("m/s", "N.m"; "1": a share or a slope; "": none can be). `group` and `key`:
    where it stands in a format of messages, `name` alone otherwise."""

    name: str
    kind: Kind
    unit: str = ""
    means: str = ""
    group: str = ""
    key: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """One table. `apart`: the column by which a format of messages tells its topics apart, "" for none."""

    name: str
    means: str
    columns: tuple[Column, ...]
    apart: str = ""


class ExportError(Exception):
    """Tables that cannot be written. One sentence: where, what was found, what is allowed."""


class Writer(Protocol):
    """Takes rows, in any order of tables. Raises ExportError on opening, OSError later."""

    files: list[Path]

    def write(self, table: str, row: Row) -> None:
        """Add a row: a value for each column, in their order."""

    def close(self, about: Mapping[str, str]) -> None:
        """Finish the files, and say in them what all of it is."""

    def discard(self) -> None:
        """Leave nothing behind."""


def moment_text(ns: int) -> str:
    """A moment as ISO 8601 has it, in UTC, to the nanosecond."""
    seconds, rest = divmod(ns, 1_000_000_000)
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%dT%H:%M:%S}.{rest:09d}Z"


def file_of(output: Path, table: str, alone: bool) -> Path:
    """The file of a table: the one that was named where it is the only one, else with the table's name in it."""
    return output if alone else output.with_name(f"{output.stem}.{table}{output.suffix}")
