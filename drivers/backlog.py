"""Which of the bytes that come in are of now, and which have waited somewhere. Pure: no clock, no wire.

Bytes wait in two places. In this computer, while the reader did not run (a stopped process, a laptop asleep): no byte is
older than the moment at which nothing was last found waiting. And beyond it, where no clock of ours sees them (a serial
server, a network that was gone): they come after a silence, and far more at once than the wire ever brings. The speed of
the line says nothing of it: many adapters, and every network, bring bytes faster than the rig file's `baud`.

The rule:

1. *Stall.* What is read when nothing waiting was last found more than 0.5 s ago is old. If nothing is, rule 3 holds all the
   same: some libraries read with a thread of their own, which did not run either.
2. *Silence.* What comes after 1.5 s without a byte is held for 0.2 s. If it is more than 1.5 times the most that the wire
   has brought in 0.2 s, it is old; else it is of now.
3. After either, what comes stays old until 0.2 s bring no more than 1.5 times that most; until more has come than the wire can
   have made since the stall or silence began, for no store holds that much; or for 10 s.

What it gets wrong. After a stall, and after a store has been emptied, what is of now is called old for up to 0.4 s. After a
stall or silence of S seconds a wire that from then on brings k > 1.5 times its most is called old for (S + 0.2) / (k - 1)
seconds, never longer than 10 s. And it calls of now what was stored if that is less than 1.5 times the most of 0.2 s; if it is
given out so slowly that no 0.2 s bring more than that, or for longer than 10 s; and until the wire has been heard five times.
"""

from __future__ import annotations

from drivers.reading import Quality

LATE_NS = 500_000_000
"""A reader waits 0.1 s at most for a first byte: one that has not looked for so long did not run."""
SILENCE_NS = 1_500_000_000
BREATH_NS = 200_000_000
"""What a wire brings is counted over so long, which most networks need less than to go on after a first packet."""
MORE = 1.5
LONGEST_NS = 10_000_000_000
"""What is called old too long blinds as silence does. Stores are emptied in less (common practice, no source)."""
_KNOWN = 5
"""Breaths in which anything came, before it is said what a wire brings."""
_FADES = 0.999
"""By how much the most that a wire brings is forgotten with each breath in which anything came."""

Parted = list[tuple[bytes, Quality]]


class Backlog:
    """Follows one wire. `take` must hear of every read, also of those that brought nothing, ten times a second."""

    def __init__(self) -> None:
        self._most, self._breaths = 0.0, 0
        self._breath, self._breath_ns = 0, 0
        self._heard_ns: int | None = None
        self._gap_ns: int | None = None
        """When the stall or silence began of which something may still be on its way; None if there is none."""
        self._ended_ns = self._came = 0
        self._held: bytes | None = None

    def cut(self) -> None:
        """The wire was closed: what was held goes with it, what is known of the wire stays."""
        self._gap_ns = self._held = None

    def take(self, data: bytes, empty_ns: int, now_ns: int) -> Parted:
        """Bytes read at `now_ns`, which all came after nothing was found waiting at `empty_ns`, each part with its quality.

        Whatever is held is given by a later call; nothing is lost or changes its place.
        """
        parted = self._breathe(now_ns)
        late = now_ns - empty_ns > LATE_NS
        if not data and not late:
            return parted
        if self._gap_ns is None:
            if late:
                self._open(empty_ns, now_ns)
            elif self._heard_ns is not None and now_ns - self._heard_ns > SILENCE_NS and self._known:
                self._open(self._heard_ns, now_ns)
        if data:
            self._heard_ns = now_ns
        if self._gap_ns is not None:
            return parted + self._doubted(data, late, self._gap_ns, now_ns)
        self._breath += len(data)
        return [*parted, (data, Quality.GOOD)]

    @property
    def _known(self) -> bool:
        return self._breaths >= _KNOWN

    @property
    def _usual(self) -> bool:
        """Whether this breath has brought no more than the wire does, as far as is known."""
        return not self._known or self._breath <= MORE * self._most

    def _open(self, gap_ns: int, now_ns: int) -> None:
        self._gap_ns, self._came, self._held = gap_ns, 0, b""
        self._breath, self._breath_ns, self._ended_ns = 0, now_ns, now_ns

    def _doubted(self, data: bytes, late: bool, gap_ns: int, now_ns: int) -> Parted:
        """What came while something may still be on its way: old, or held until the breath is over."""
        self._came += len(data)
        if late:  # more may be waiting here
            self._breath, self._breath_ns, self._ended_ns = 0, now_ns, now_ns
        else:
            self._breath += len(data)
        if self._held is not None:
            self._held += data
            if not late and self._usual:
                return []
            data, self._held = self._held, None
        made = self._most * ((now_ns - gap_ns) / BREATH_NS + 1.0)
        if (self._known and self._came > made) or now_ns - self._ended_ns > LONGEST_NS:
            self._gap_ns = None
        return [(data, Quality.OLD)] if data else []

    def _breathe(self, now_ns: int) -> Parted:
        """End a breath when its time is over: doubt ends with one that is no more than usual, and the wire is learned from."""
        if now_ns - self._breath_ns < BREATH_NS:
            return []
        held: Parted = []
        if self._gap_ns is not None and self._usual:
            if self._held:
                held.append((self._held, Quality.GOOD))
            self._gap_ns = self._held = None
        if self._gap_ns is None and self._breath:
            self._most, self._breaths = max(float(self._breath), _FADES * self._most), self._breaths + 1
        self._breath, self._breath_ns = 0, now_ns
        return held
