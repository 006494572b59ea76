"""How late a reading is, told from its sensor's own clock without believing what time that clock says.

Pure: integers in, yes or no out. A sensor's clock may be days off, drift, or be set while a lift runs; none of that makes a
live reading old. What is believed is how its time goes on: the least that arrival has ever been behind the device's time is
the clock's offset together with the shortest way here, and what comes much later than that has waited somewhere. Readings
that a stalled network hands over in a burst are known by it.

The least creeps up by a hundredth of the time that passes, so that a clock that loses as much (a microcontroller without a
crystal: common practice, no source) is never taken for a way that gets longer. So a reading is never called later than
it is, and a way that stays longer is taken for the clock's in the end: by 1.5 s after two and a half minutes.

Device time that goes back is either a clock that was set or an old message that came after newer ones. It is taken for
the clock once its time has gone on at the pace of arrival for a quarter of `stale_after`; until then readings that would be
too late are old. An old message does not do that: it comes alone, in a burst, or between newer ones.

What cannot be told: the first reading of all counts as timely, since nothing is known of its clock. A recorder that plays
old readings at their own pace, and nothing else, is a clock that was set.
"""

from __future__ import annotations

from collections.abc import Sequence

DRIFT = 100
"""A clock may lose one part in so many."""
_CONFIRMED = 4
"""One part in so many of `stale_after` shows the pace of a clock that was set: short enough that it is not silent meanwhile."""


class Skew:
    """One sensor's clock against ours. `stale_after_ns`: how late a reading may be and pass as live."""

    def __init__(self, stale_after_ns: int) -> None:
        self._stale_after_ns = stale_after_ns
        self._behind_ns: int | None = None
        self._at_ns = self._newest_ns = 0
        self._set: _Set | None = None

    def late(self, arrival_ns: int, device_ns: Sequence[int]) -> list[bool]:
        """Whether each reading that arrived in one message is too late to be live, by the device's own times (any origin).

        Arrivals never go back.
        """
        if device_ns:
            self._learn(arrival_ns, max(device_ns))
        least = self._least(arrival_ns)
        return [arrival_ns - it - least > self._stale_after_ns for it in device_ns]

    def _least(self, arrival_ns: int) -> int:
        """How far arrival is behind device time at the least by now (ns)."""
        return (self._behind_ns or 0) + (arrival_ns - self._at_ns) // DRIFT

    def _learn(self, arrival_ns: int, device_ns: int) -> None:
        behind = arrival_ns - device_ns
        if self._behind_ns is not None and device_ns < self._newest_ns:
            if self._set is None:
                self._set = _Set(arrival_ns, device_ns)
            elif self._set.goes_on(arrival_ns, device_ns, self._stale_after_ns // _CONFIRMED):
                self._take(arrival_ns, device_ns, self._set.behind_ns)
            return
        self._take(arrival_ns, device_ns, behind if self._behind_ns is None else min(behind, self._least(arrival_ns)))

    def _take(self, arrival_ns: int, device_ns: int, behind_ns: int) -> None:
        self._behind_ns, self._at_ns, self._newest_ns, self._set = behind_ns, arrival_ns, device_ns, None


class _Set:
    """A clock that may have been set: where its time went back to, and whether it goes on from there."""

    def __init__(self, arrival_ns: int, device_ns: int) -> None:
        self._begin(arrival_ns, device_ns)

    def _begin(self, arrival_ns: int, device_ns: int) -> None:
        self._arrival_ns, self._device_ns, self._newest_ns = arrival_ns, device_ns, device_ns
        self.behind_ns = arrival_ns - device_ns

    def goes_on(self, arrival_ns: int, device_ns: int, least_ns: int) -> bool:
        """Whether the time that has gone by since is the device's and ours alike, to a half of it, and enough of it."""
        passed, said = arrival_ns - self._arrival_ns, device_ns - self._device_ns
        if device_ns < self._newest_ns or (passed >= least_ns and abs(said - passed) > passed // 2):
            self._begin(arrival_ns, device_ns)
            return False
        self._newest_ns = device_ns
        self.behind_ns = min(self.behind_ns, arrival_ns - device_ns)
        return passed >= least_ns
