"""The body of `inchwatch score`: recordings held against an evaluation form."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import TextIO

import orjson

from monitor.debrief.figures import EACH, EACH_OF, KINDS, WHOLE
from monitor.report.form import Form, read_form
from monitor.report.lifts import read_lift
from monitor.report.marking import Mark, read_marks
from monitor.report.score import as_json, score
from monitor.report.scored import in_words
from monitor.rig.load import RigFaults
from replay.journal import JournalError


@dataclass(frozen=True, slots=True)
class Wanted:
    """What was typed."""

    files: Sequence[str]
    form: str
    marks: str | None = None
    as_json: bool = False


def score_files(wanted: Wanted, out: TextIO, err: TextIO) -> int:
    """Print a score sheet a recording; returns the exit code: 1 if one was not passed or cannot be scored, 2 if the form or the
    marks cannot be used."""
    try:
        form = read_form(Path(wanted.form))
        marks = read_marks(Path(wanted.marks), form) if wanted.marks is not None else []
    except RigFaults as faults:
        print(faults, file=err)
        return 2
    passed = [_scored(Path(file), form, marks, wanted.as_json, out, err) for file in wanted.files]
    return 0 if all(passed) else 1


def _scored(path: Path, form: Form, marks: Sequence[Mark], json: bool, out: TextIO, err: TextIO) -> bool:
    """Print one sheet; True if it was passed."""
    try:
        lift = read_lift(path)
    except (JournalError, RigFaults) as error:
        print(f"inchwatch score: {error}", file=err)
        return False
    sheet = score(form, lift.figures, marks, lift.rig.rig.units)
    if json:
        told = {"file": str(lift.path), "rig": lift.rig.rig.name, "damage": lift.damage or None, **as_json(sheet)}
        print(orjson.dumps(told).decode(), file=out, flush=True)
    else:
        print(f"{lift.path}: {lift.rig.rig.name}", file=out)
        if lift.damage:
            print(f"  {lift.damage}", file=out)
        print(in_words(sheet), file=out, flush=True)
    return sheet.passed


def example() -> str:
    """A form to begin with, invented for the training yard."""
    return files("monitor.report").joinpath("forms/yard-panel.toml").read_text(encoding="utf-8")


def vocabulary(json: bool) -> str:
    """Every figure that a criterion may be over."""
    if json:
        return orjson.dumps(
            [
                {
                    "figure": kind.name,
                    "of": kind.family if kind.family in EACH_OF else None,
                    "unit": kind.unit,
                    "better": kind.better or None,
                    "means": kind.means,
                }
                for kind in KINDS.values()
            ]
        ).decode()
    wide = max(map(len, KINDS))
    said = ["Of the whole lift:"]
    for kind in (*WHOLE, *EACH):
        if kind is EACH[0]:
            said += ["", "Of each step, shore, stack, bag, channel or alarm; 'of' says of which, or 'worst':"]
        said.append(f"  {kind.name:<{wide}}  {kind.unit:<5}  {kind.better:<4}  {kind.means}")
    return "\n".join(said)
