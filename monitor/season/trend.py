"""Whether something rises or falls over time, robustly: the median of all slopes, its bounds, and how likely chance alone is.

The slope is Theil's and Sen's (Sen, J. Amer. Statist. Assoc. 63, 1968, 1379): the median of the slopes between every two values,
which a few odd lifts do not move. Its 95 % bounds are Sen's, by the variance of Kendall's S. How likely a trend as clear is where
there is none is by Mann and Kendall (Mann, Econometrica 13, 1945; Kendall, *Rank Correlation Methods*, 1970), two-sided, with ties
in times and values and continuity correction. Both take the values to be independent but for the trend. Pure.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import erfc, floor, sqrt
from statistics import median

FEWEST = 8
"""Sessions from which on a trend is asked for: with fewer the normal law stands on little (common practice, no source)."""
_Z95 = 1.959963984540054


@dataclass(frozen=True, slots=True)
class Trend:
    """`slope` a unit of time with its 95 % bounds `low` and `high`, and how likely chance alone makes as clear a one: `p`."""

    slope: float
    low: float
    high: float
    p: float

    @property
    def bounded(self) -> bool:
        """Whether its bounds leave zero out."""
        return self.low > 0.0 or self.high < 0.0


def trend(times: Sequence[float], values: Sequence[float]) -> Trend | None:
    """The trend of values over times; None where all times are one. The lists must be of one length (ValueError)."""
    pairs = sorted(zip(times, values, strict=True))
    slopes: list[float] = []
    s = 0
    for i, (t, v) in enumerate(pairs):
        for u, w in pairs[i + 1 :]:
            if u > t:
                slopes.append((w - v) / (u - t))
                s += (w > v) - (w < v)
    if not slopes:
        return None
    slopes.sort()
    sigma = sqrt(_variance(len(pairs), times, values))
    low, high = _bounds(slopes, sigma)
    z = (abs(s) - 1) / sigma if s and sigma > 0.0 else 0.0
    return Trend(median(slopes), low, high, erfc(z / sqrt(2.0)))


def _bounds(slopes: Sequence[float], sigma: float) -> tuple[float, float]:
    """The slopes at the ranks that Sen's bounds have, of 0.95."""
    count, reach = len(slopes), _Z95 * sigma
    low, high = floor((count - reach) / 2.0 + 0.5), floor((count + reach) / 2.0 + 0.5)
    return slopes[max(0, low - 1)], slopes[min(count - 1, high)]


def _variance(n: int, times: Iterable[float], values: Iterable[float]) -> float:
    """Variance of Kendall's S without a trend, ties in both counted (Kendall 1970, chapter 4)."""

    first, second = ([count for count in Counter(of).values() if count > 1] for of in (times, values))
    made = (n * (n - 1) * (2 * n + 5) - sum(c * (c - 1) * (2 * c + 5) for c in (*first, *second))) / 18.0
    if n > 1:
        made += _pairs(first) * _pairs(second) / (2.0 * n * (n - 1))
    if n > 2:
        made += _threes(first) * _threes(second) / (9.0 * n * (n - 1) * (n - 2))
    return max(0.0, made)


def _pairs(counts: Iterable[int]) -> int:
    return sum(c * (c - 1) for c in counts)


def _threes(counts: Iterable[int]) -> int:
    return sum(c * (c - 1) * (c - 2) for c in counts)
