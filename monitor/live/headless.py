"""A session without a screen: alarm transitions as they happen and one picture a second, on standard output."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Iterator
from typing import TextIO

import orjson

from monitor import encode
from monitor import quantities as show
from monitor.engine.picture import Picture

_EVERY_NS = 1_000_000_000


class Lines:
    """Turns pictures into lines: JSON objects, or words for a person. Callable from the engine thread."""

    def __init__(self, units: str, as_json: bool, wall_start_s: float) -> None:
        self._units, self._json, self._wall = units, as_json, wall_start_s
        self._pictures: queue.SimpleQueue[Picture | None] = queue.SimpleQueue()
        self._due_ns = 0

    def take(self, picture: Picture) -> None:
        """Queue a picture; returns at once."""
        self._pictures.put(picture)

    def end(self) -> None:
        """No more pictures will come."""
        self._pictures.put(None)

    def __iter__(self) -> Iterator[str]:
        while (picture := self._pictures.get()) is not None:
            yield from self.of(picture)

    def of(self, picture: Picture) -> Iterator[str]:
        """The lines that one picture asks for: its transitions, and once a second itself."""
        for it in picture.transitions:
            yield self._dump(encode.transition(it)) if self._json else _alarm_line(encode.transition(it))
        if picture.time_ns >= self._due_ns:
            self._due_ns = picture.time_ns - picture.time_ns % _EVERY_NS + _EVERY_NS
            if self._json:
                utc = round(self._wall + picture.time_ns * 1e-9, 4)
                yield self._dump(encode.picture(picture) | {"utc": utc})
            else:
                yield self.words(picture)

    @staticmethod
    def _dump(it: encode.Json) -> str:
        return orjson.dumps(it).decode()

    def words(self, picture: Picture) -> str:
        """One picture in one line."""
        load = picture.load
        step = "no zero yet" if picture.zero.taken_ns is None else "plan at its end"
        if picture.step is not None and picture.zero.taken_ns is not None:
            now = picture.steps[picture.step.number - 1]
            step = f"step {now.number}/{len(picture.steps)} {now.do} {now.bag or ''}".rstrip()
        gaps = " ".join(f"{s.name} gap {show.length(s.gap_m, self._units)}" for s in picture.shores)
        return (
            f"{picture.time_ns * 1e-9:7.1f} s  {step:<24} rise {show.length(load.rise_m, self._units)}"
            f"  tilt {show.angle(load.tilt_x_rad)} {show.angle(load.tilt_y_rad)}  {gaps}"
        ).rstrip()


def _alarm_line(it: encode.Json) -> str:
    return f"{it['t']:7.1f} s  {it['state']:<22} {it['text']}"


def print_until(
    lines: Lines, out: TextIO, stop: threading.Event, for_s: float | None, finish: Callable[[], None]
) -> None:
    """Print lines until `stop` is set or the time is up; then `finish` the session and print what is left.

    A reader that has gone away ends it, and is no error.
    """

    def end() -> None:
        stop.wait(for_s)
        finish()
        lines.end()

    ender = threading.Thread(target=end, name="headless-end", daemon=True)
    ender.start()
    try:
        for line in lines:
            print(line, file=out, flush=True)
    except BrokenPipeError:
        pass
    finally:
        stop.set()
        ender.join()
