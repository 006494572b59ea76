"""The body of `inchwatch check`: a rig file's faults, or its lift plan sheet."""

from __future__ import annotations

import json
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TextIO

from monitor.rig.calibrated import Due, curve_of, due
from monitor.rig.checks import notes
from monitor.rig.load import RigFaults, parse_rig, read_rig, read_text
from monitor.rig.page import page
from monitor.rig.plan import Plan, plan
from monitor.rig.propose import Proposal, as_toml, propose
from monitor.rig.schema import Rig
from monitor.rig.sheet import sheet


def check(path: str, as_json: bool, out: TextIO, err: TextIO, html: str | None = None) -> int:
    """Print the sheet (exit code 0) or every fault (1). With `as_json` one object on `out`, whichever it is.

    `html`: a file to write the sheet to as a page besides; 1 where that cannot be done, and nothing printed.
    """
    try:
        rig = read_rig(Path(path))
    except RigFaults as faults:
        if as_json:
            _dump(
                {
                    "v": 1,
                    "file": path,
                    "rig": None,
                    "ok": False,
                    "faults": [asdict(f) for f in faults.faults],
                    "notes": [],
                    "plan": None,
                },
                out,
            )
        else:
            count = len(faults.faults)
            print(faults, f"{count} fault{'s' if count > 1 else ''}: this rig cannot be used", sep="\n", file=err)
        return 1
    whole, it, proposed = planned(rig)
    now = datetime.now(UTC)
    if html is not None and (refused := _write(Path(path), Path(html), page(whole, it, proposed, now))):
        print(refused, file=err)
        return 1
    if as_json:
        _dump(
            {
                "v": 1,
                "file": path,
                "rig": rig.rig.name,
                "ok": True,
                "faults": [],
                "notes": notes(rig),
                "calibrations": [_calibration(it) for it in due(rig, now)],
                "plan": {**asdict(it), "proposed": _as_object(proposed)},
            },
            out,
        )
    else:
        print(sheet(whole, it, proposed, now), file=out)
    return 0


def _calibration(due: Due) -> dict[str, object]:
    """One that counts, as programs read it: SI, and how it stands today."""
    it, curve = due.it, curve_of(due.it)
    return {
        "channel": it.channel,
        "date": it.date.isoformat(),
        "who": it.who,
        "until": due.until.isoformat(),
        "wrong": due.wrong,
        "points": [[read.si, true.si] for read, true in it.points],
        "straight": not curve.bent,
        "sd": max(curve.sd(x) for x in curve.reads),
    }


def planned(rig: Rig) -> tuple[Rig, Plan, Proposal | None]:
    """(the rig with the steps that hold, its plan, what was proposed): steps are proposed where the file has none."""
    proposed = None if rig.step else propose(rig)
    whole = rig.model_copy(update={"step": list(proposed.steps)}) if proposed else rig
    return whole, plan(whole), proposed


def _as_object(proposed: Proposal | None) -> dict[str, object] | None:
    if proposed is None:
        return None
    steps = [step.model_dump(by_alias=True, exclude_none=True) for step in proposed.steps]
    return {**asdict(proposed), "steps": steps}


def _write(rig: Path, to: Path, text: str) -> str:
    """Write the page; returns why not, as a sentence, or ""."""
    try:
        if to.exists() and to.samefile(rig):
            return f"{to}: this is the rig file itself; the page goes into a file of its own"
        to.write_text(text, encoding="utf-8")
    except OSError as error:
        return f"{to}: the page cannot be written ({(error.strerror or 'error').lower()})"
    return ""


def print_proposal(path: str, out: TextIO, err: TextIO) -> int:
    """Print proposed steps as text for the end of the rig file (exit code 0), or why there are none (1)."""
    try:
        rig, text = read_rig(Path(path)), read_text(Path(path))
        if rig.step:
            print(f"{path}: it has {len(rig.step)} steps of its own; none are proposed beside them", file=err)
            return 1
        proposed = propose(rig)
        if proposed.why_not:
            print(f"{path}: no plan is proposed: {proposed.why_not}", file=err)
            return 1
        steps = as_toml(rig, proposed)
        parse_rig(f"{text}\n{steps}", f"{path} with the proposed steps")
    except RigFaults as faults:
        print(faults, file=err)
        return 1
    print(steps, file=out)
    print(f"{proposed.why[0].upper()}{proposed.why[1:]}.", file=err)
    return 0


def schema_text() -> str:
    """The JSON Schema of rig files."""
    return json.dumps(Rig.model_json_schema(by_alias=True), indent=2)


def _dump(it: dict[str, object], out: TextIO) -> None:
    print(json.dumps(it), file=out)
