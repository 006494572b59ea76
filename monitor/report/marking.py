"""What an instructor marks by hand: points for the free criteria of a form, with the name of whoever looked, in TOML."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field

from drivers.tables import Strict
from monitor.report.form import Document, Form, Words
from monitor.rig.load import RigFaults, parsed, read_text, short

WHAT = "a file of marks"
_Who = Annotated[str, Field(min_length=1, max_length=60, pattern=r"^[^\x00-\x1f\x7f]+$")]


class _Mark(Strict):
    criterion: Words
    points: Annotated[float, Field(ge=0.0, le=1000.0, strict=True)]
    by: _Who | None = None
    says: str = ""


class _Marks(Strict):
    version: Literal[1]
    by: _Who
    mark: Annotated[list[Any], Field(max_length=200)] = []


@dataclass(frozen=True, slots=True)
class Mark:
    """So many points for a free criterion, not weighted, by whom, and why."""

    criterion: str
    points: float
    by: str
    says: str = ""


def read_marks(path: Path, form: Form) -> list[Mark]:
    """The marks in a file, for a form. Raises RigFaults."""
    return parse_marks(read_text(path, WHAT), form, str(path))


def parse_marks(text: str, form: Form, where: str = "marks") -> list[Mark]:
    """The marks in a text, for a form. Raises RigFaults."""
    document = parsed(text, where, WHAT)
    sheet = Document(text, document)
    head = sheet.table(_Marks, document, ())
    given = document.get("mark")
    marks: list[Mark] = []
    for at, table in enumerate(given if isinstance(given, list) else []):
        it = sheet.table(_Mark, table, ("mark", at))
        if it is not None:
            _check(sheet, it, at, form, marks)
            marks.append(Mark(it.criterion, it.points, it.by or (head.by if head else ""), it.says))
    if sheet.faults or head is None:
        raise RigFaults(where, sheet.faults)
    return marks


def _check(sheet: Document, it: _Mark, at: int, form: Form, before: Sequence[Mark]) -> None:
    """Say what is wrong with a mark for a form."""
    path = "mark", at
    free = {asked.criterion.name: asked for asked in form.asked if asked.kind is None}
    asked = free.get(it.criterion)
    if asked is None:
        measured = any(other.criterion.name == it.criterion for other in form.asked)
        found = f"{short(it.criterion)}, which is measured" if measured else short(it.criterion)
        names = ", ".join(map(short, free))
        sheet.fault((*path, "criterion"), found, f"a free criterion of the form: {names or 'it has none'}")
    elif it.points > asked.criterion.points:
        sheet.fault((*path, "points"), f"{it.points:g}", f"at most {asked.criterion.points:g}, as the form has it")
    if any(other.criterion == it.criterion for other in before):
        sheet.fault((*path, "criterion"), short(it.criterion), "a criterion that is not marked yet")
