"""How often alarms come: one that chatters, and more than a person can take in. Counted by entry time alone."""

from __future__ import annotations

from collections import deque

CHATTER, CHATTER_NS = 3, 60_000_000_000
"""An alarm that rises so often in so long chatters (common practice: three in a minute), until it has kept still as long."""
SLOWER, SLOWER_S = 4.0, 5.0
"""The off-delay of one that chatters: so many times its row's, and at least so long (common practice, no source)."""
FLOOD_NS = 600_000_000_000
FLOOD = 10
"""More than this many in ten minutes is a flood, until there are fewer than half (ANSI/ISA-18.2)."""


class Chatter:
    """Whether one alarm comes and goes too often to be read. `going` says so, as of the last call."""

    __slots__ = ("_moved_ns", "_rose_ns", "going")

    def __init__(self) -> None:
        self.going = False
        self._rose_ns: deque[int] = deque(maxlen=CHATTER)
        self._moved_ns = 0

    def rose(self, now_ns: int) -> None:
        """It rises."""
        self._moved_ns = now_ns
        self._rose_ns.append(now_ns)
        if len(self._rose_ns) == CHATTER and now_ns - self._rose_ns[0] <= CHATTER_NS:
            self.going = True

    def cleared(self, now_ns: int) -> None:
        """It clears."""
        self._moved_ns = now_ns

    def wait(self, now_ns: int) -> None:
        """Time passes: what neither came nor went for a minute has calmed down."""
        if self.going and now_ns - self._moved_ns >= CHATTER_NS:
            self.going = False

    def off_s(self, usual_s: float) -> float:
        """The off-delay now. The on-delay never changes: nothing is to sound later because it sounded often."""
        return max(SLOWER * usual_s, SLOWER_S) if self.going else usual_s


class Raises:
    """When alarms asked for somebody, over the last ten minutes. It counts and holds nothing back."""

    def __init__(self) -> None:
        self._at_ns: deque[int] = deque()

    def add(self, now_ns: int) -> None:
        """One more."""
        self._at_ns.append(now_ns)

    def lately(self, now_ns: int) -> int:
        """How many within the ten minutes before now."""
        while self._at_ns and now_ns - self._at_ns[0] >= FLOOD_NS:
            self._at_ns.popleft()
        return len(self._at_ns)
