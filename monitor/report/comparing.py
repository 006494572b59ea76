"""The body of `inchwatch compare`: recorded lifts side by side."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TextIO

import orjson

from monitor.report.compare import MOST, as_json, compare
from monitor.report.compared import in_words, page
from monitor.report.lifts import Lift, read_lift
from monitor.report.writing import put
from monitor.rig.load import RigFaults
from replay.journal import JournalError
from replay.recording import recordings, unread

_ENDINGS = (".html", ".htm")
"""What a page is called; so it never takes the place of a recording."""


def compare_files(given: Sequence[str], *, as_page: str | None, json: bool, out: TextIO, err: TextIO) -> int:
    """Print a comparison, or write it as a page; returns the exit code: 1 if a recording cannot be played or the page not be
    written, 2 if there are too few or too many.

    `given` may be folders, and files of one session are one.
    """
    if as_page is not None and Path(as_page).suffix.lower() not in _ENDINGS:
        print(f"inchwatch compare: {as_page}: a page ends in {' or '.join(_ENDINGS)}", file=err)
        return 2
    for said in unread([*map(Path, given)]):
        print(f"inchwatch compare: {said}", file=err)
    found = list(recordings(map(Path, given)))
    if len(found) == 1 and isinstance(found[0], JournalError):
        print(f"inchwatch compare: {found[0]}", file=err)
        return 1
    if not 2 <= len(found) <= MOST:
        many = f"{len(found)} recording{'' if len(found) == 1 else 's'}"
        print(f"inchwatch compare: found {many}; allowed are 2 to {MOST}, more are a season", file=err)
        return 2
    lifts: list[Lift] = []
    for it in found:
        try:
            if isinstance(it, JournalError):
                raise it
            lifts.append(read_lift(it.path))
        except (JournalError, RigFaults) as error:
            print(f"inchwatch compare: {error}", file=err)
            return 1
    told = compare(lifts)
    if as_page is not None:
        try:
            put(Path(as_page), page(told).encode())
        except OSError as error:
            print(f"inchwatch compare: {as_page}: {(error.strerror or 'cannot be written').lower()}", file=err)
            return 1
    if json:
        print(orjson.dumps(as_json(told)).decode(), file=out)
    elif as_page is None:
        print(in_words(told), file=out)
    return 0
