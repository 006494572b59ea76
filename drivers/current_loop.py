"""4-20 mA: what a loop's current means, and what it says of its own wire. Pure: no port, no clock.

4 mA is the low end of the quantity, 20 mA the high end, a straight line between (IEC 60381-1). NAMUR NE 43 keeps 3.8 to 20.5 mA
for measuring and 3.6 mA and below, 21.0 mA and above for failure; a failure is one when it has lasted, for 4 s where nothing
else is said. Between the two the current is off, but no sign of failure.
"""

from __future__ import annotations

from dataclasses import dataclass

from drivers.reading import Quality

LIVE_ZERO_A, FULL_A = 0.004, 0.020
MEASURING_MA = (3.8, 20.5)
FAILURE_MA = (3.6, 21.0)
LASTS_S = 4.0
_DIGITS = 9
"""A current is judged to the picoampere: 3.6 mA is 3.6 mA, whatever it went through as a binary fraction of an ampere."""


def scaled(current_a: float, low: float, high: float) -> float:
    """The quantity at a current (A); `low` and `high` are what it is at 4 and at 20 mA."""
    return low + (high - low) * ((current_a - LIVE_ZERO_A) / (FULL_A - LIVE_ZERO_A))


def current(value: float, low: float, high: float) -> float:
    """The current (A) that stands for a quantity."""
    return LIVE_ZERO_A + (FULL_A - LIVE_ZERO_A) * ((value - low) / (high - low))


def failing(current_a: float) -> bool:
    """Whether a current (A) is one of those that stand for failure."""
    milliamperes = round(current_a * 1e3, _DIGITS)
    return milliamperes <= FAILURE_MA[0] or milliamperes >= FAILURE_MA[1]


def measuring(current_a: float) -> bool:
    """Whether a current (A) is one of those that stand for a value."""
    return MEASURING_MA[0] <= round(current_a * 1e3, _DIGITS) <= MEASURING_MA[1]


@dataclass(slots=True)
class LoopWatch:
    """One loop, over time: what each of its currents says of it in the words of NAMUR NE 107.

    A failing current is no value from the first, but a doubt (function check) until it has lasted `lasts_s`.
    """

    lasts_s: float = LASTS_S
    _since_ns: int | None = None

    def judge(self, current_a: float, time_ns: int) -> Quality:
        """What a current (A) says at a time (ns); times go up."""
        if not failing(current_a):
            self._since_ns = None
            return Quality.GOOD if measuring(current_a) else Quality.OUT_OF_SPECIFICATION
        if self._since_ns is None:
            self._since_ns = time_ns
        lasted = time_ns - self._since_ns >= round(self.lasts_s * 1e9)
        return Quality.FAILURE if lasted else Quality.CHECK
