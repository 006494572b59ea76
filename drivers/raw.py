"""What came over a wire last, as it came: a small ring of bytes a port, for a person who wants to see them.

Nothing is computed from it. It is bounded, so that a wire that babbles fills no memory.
"""

from __future__ import annotations

import threading
from collections import deque
from dataclasses import dataclass

PIECES = 256
"""So many pieces are kept a port."""
BYTES = 32 * 1024
"""So many bytes are kept a port."""
LONGEST = 2048
"""Bytes kept of one piece."""


@dataclass(frozen=True, slots=True)
class Raw:
    """One piece of what came. `time_ns` is when its first byte was taken from the wire (ns since the session began).

    `about` None: a piece of a stream, whose lines may run on in the next piece. Else one whole message, and where it came (an
    MQTT topic). `left_out`: how many of its last bytes were not kept.
    """

    time_ns: int
    data: bytes
    about: str | None = None
    left_out: int = 0


class _Piece:
    __slots__ = ("about", "data", "left_out", "time_ns")

    def __init__(self, time_ns: int, about: str | None) -> None:
        self.time_ns, self.about = time_ns, about
        self.data = bytearray()
        self.left_out = 0


class Ring:
    """The newest pieces of one port. `add` is for the port's thread, `pieces` for any.

    A stream that comes byte by byte is put together up to the end of its line, so that a slow wire shows as much as a fast one.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._pieces: deque[_Piece] = deque()
        self._open: _Piece | None = None  # the piece of a stream that is not at its end yet
        self._bytes = 0

    def add(self, time_ns: int, data: bytes, about: str | None = None) -> None:
        """Keep what came at once, at the cost of what is oldest."""
        with self._lock:
            piece = self._open
            if piece is None or about is not None:
                piece = _Piece(time_ns, about)
                self._pieces.append(piece)
            kept = piece.data
            kept += data
            self._bytes += len(data)
            size = len(kept)
            if about is not None or size >= LONGEST or data.endswith(b"\n"):
                self._open = None
                self._mind_the_bounds(piece, size)
            else:
                self._open = piece

    def _mind_the_bounds(self, piece: _Piece, size: int) -> None:
        if size > LONGEST:
            piece.left_out = size - LONGEST
            self._bytes -= piece.left_out
            del piece.data[LONGEST:]
        while self._bytes > BYTES - LONGEST or len(self._pieces) >= PIECES:  # what comes next has room
            self._bytes -= len(self._pieces.popleft().data)

    def pieces(self) -> list[Raw]:
        """What is kept, the oldest first."""
        with self._lock:
            return [Raw(it.time_ns, bytes(it.data), it.about, it.left_out) for it in self._pieces]
