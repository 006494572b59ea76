"""The body of `inchwatch check`: a rig file's faults, or its lift plan sheet."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import TextIO

from monitor.rig.checks import notes
from monitor.rig.load import RigFaults, read_rig
from monitor.rig.plan import plan, sheet
from monitor.rig.schema import Rig


def check(path: str, as_json: bool, out: TextIO, err: TextIO) -> int:
    """Print the sheet (exit code 0) or every fault (1). With `as_json` one object on `out`, whichever it is."""
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
    if as_json:
        _dump(
            {
                "v": 1,
                "file": path,
                "rig": rig.rig.name,
                "ok": True,
                "faults": [],
                "notes": notes(rig),
                "plan": asdict(plan(rig)),
            },
            out,
        )
    else:
        print(sheet(rig, plan(rig)), file=out)
    return 0


def schema_text() -> str:
    """The JSON Schema of rig files."""
    return json.dumps(Rig.model_json_schema(by_alias=True), indent=2)


def _dump(it: dict[str, object], out: TextIO) -> None:
    print(json.dumps(it), file=out)
