"""A bar on a terminal while many recordings are judged; nothing where standard error is none."""

from __future__ import annotations

import sys
import time
from typing import TextIO

_WIDTH = 30
_EVERY_S = 0.2


class Bar:
    """How far a run has come. Done is counted in bytes: one recording may be a hundred times another."""

    def __init__(self, count: int, size: int, out: TextIO | None = None) -> None:
        out = sys.stderr if out is None else out  # as it is now: this module may be imported while it is another
        self._out = out if out.isatty() else None
        self._count, self._size = count, max(1, size)
        self._done = self._bytes = 0
        self._begun_s, self._drawn_s = time.monotonic(), 0.0

    def step(self, size: int) -> None:
        """One more is done."""
        self._done += 1
        self._bytes += size
        self.draw()

    def draw(self) -> None:
        """Draw it, unless it was drawn just now."""
        now_s = time.monotonic()
        if self._out is None or (now_s - self._drawn_s < _EVERY_S and self._done < self._count):
            return
        self._drawn_s = now_s
        share = min(1.0, self._bytes / self._size)
        full = int(share * _WIDTH)
        left = ""
        if 0.0 < share < 1.0:
            left = f", {_span((now_s - self._begun_s) * (1.0 - share) / share)} left"
        self._out.write(f"\r\x1b[K{'█' * full}{'░' * (_WIDTH - full)} {self._done} of {self._count}, {share:.0%}{left}")
        self._out.flush()

    def clear(self) -> None:
        """Take it away, so that a line may be printed where it stood."""
        if self._out is not None:
            self._out.write("\r\x1b[K")
            self._out.flush()
            self._drawn_s = 0.0


def _span(seconds: float) -> str:
    return (
        f"{seconds:.0f} s"
        if seconds < 100
        else f"{seconds / 60:.0f} min"
        if seconds < 6000
        else f"{seconds / 3600:.1f} h"
    )
