"""Writes a journal while a session runs, to one place or to two. The one who hands entries over never waits for a disk.

Each place has threads, memory and seals of its own: what befalls one, the other does not feel. While nothing befalls either,
their files are the same to the byte.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from drivers.reading import Reading
from replay.codec import AlarmLine, Header, JournalError, alarm_line, entry_line
from replay.entries import Entry, Notice, Tick
from replay.place import Place, Split

__all__ = ["JournalError", "JournalWriter", "Split"]

CLOSE_WITHIN_S = 10.0
"""How long the end of a session waits for a disk that does not answer."""

Trouble = Callable[[bool, str, bool], None]
"""Whether anything is wrong, in one sentence, and whether nothing is kept anywhere."""


class JournalWriter:
    """One session's journal. `on_trouble(True, sentence, nothing_kept)` when it cannot be kept as it should, `(False, ...)`
    when it can again.

    `also` is a second place. Raises JournalError when a file exists already or cannot be made.
    """

    def __init__(
        self, path: Path, header: Header, on_trouble: Trouble, *, also: Path | None = None, split: Split | None = None
    ) -> None:
        self.path = path
        self._on_trouble = on_trouble
        self._said = ""
        self._saying = threading.Lock()
        self._places: list[Place] = []
        paths = [path] if also is None else [path, also]
        try:
            for it, label in zip(paths, _labels(paths), strict=True):
                self._places.append(Place(it, header, split or Split(), label, self._say))
        except JournalError:
            for place in self._places:
                place.discard()
            raise
        for place in self._places:
            place.start()

    def write(self, entry: Entry) -> None:
        """Keep one entry. Returns at once. A notice that comes while nothing reaches a file is late in that file."""
        line = entry_line(entry)
        ticks = isinstance(entry, Tick)
        dear = not (ticks or isinstance(entry, Reading))
        for place in self._places:
            if isinstance(entry, Notice) and place.trouble()[1]:
                place.put(entry.time_ns, entry_line(replace(entry, late=True)), dear=dear)
            else:
                place.put(entry.time_ns, line, dear=dear)
            if ticks:
                place.look()

    def alarm(self, time_ns: int, alarm: dict[str, Any]) -> None:
        """Keep one alarm transition that the entry before it caused. Returns at once."""
        line = alarm_line(AlarmLine(time_ns, alarm))
        for place in self._places:
            place.put(time_ns, line, dear=True, alarm=True)

    def close(self) -> None:
        """Write what is left, mark the end, seal it, put it on the disk; tell what could not be. Safe to call twice."""
        for place in self._places:
            place.finish()
        deadline_s = time.monotonic() + CLOSE_WITHIN_S
        for place in self._places:
            place.join(deadline_s)
            place.look()

    def _say(self) -> None:
        """Tell what is wrong, if that is not what was told last."""
        with self._saying:
            said = [(place.label, *place.trouble()) for place in self._places]
            text = _sentence(said)
            if text != self._said:
                self._said = text
                nothing_kept = all(fails for *_, fails in said)
                self._on_trouble(bool(text), text or f"{self.path}: recording again", nothing_kept)


def _sentence(said: list[tuple[str, str, bool]]) -> str:
    """What is wrong, from what each place is called, says, and whether nothing reaches it."""
    well = [label for label, _, fails in said if not fails]
    if len(said) > 1 and len(well) == 1:
        return f"only {well[0]} kept: " + "; ".join(text for _, text, _ in said if text)
    text = "; ".join(f"{label}: {text}" if label else text for label, text, _ in said if text)
    return text if well or len(said) == 1 else f"nothing kept: {text}"


def _labels(paths: list[Path]) -> list[str]:
    """What each place is called where there are two: its folder, or its file where the folder is the same."""
    if len(paths) == 1:
        return [""]
    folders = [path.parent.resolve() for path in paths]
    if folders[0] == folders[1]:
        return [_short(path.name) for path in paths]
    return [_short(it.name if folders[0].name != folders[1].name else str(it)) for it in folders]


def _short(name: str) -> str:
    """A name that leaves room in an alarm's line for what is wrong; two that differ at their ends still do."""
    return name if len(name) <= 14 else f"{name[:5]}…{name[-8:]}"
