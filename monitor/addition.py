"""Addition that gives the same bits wherever it is done."""

from __future__ import annotations

from collections.abc import Iterable
from functools import reduce
from operator import add


def added(values: Iterable[float]) -> float:
    """The values one after another, rounded at each; 0 of none.

    The built-in `sum` rounds like this up to Python 3.11, and from 3.12 on makes good what was lost (Neumaier 1974): its last
    bits depend on the interpreter, so that a recording judged by another one gave other pictures. These are the bits of 3.11,
    in which the first recordings were made.
    """
    return reduce(add, values, 0.0)
