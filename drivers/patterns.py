"""What a line of text means, as a regular expression says it; and which expressions are let in.

Python's `re` knows no time limit, and a careless pattern on a careless line runs for years: `(\\w+)*=` tries every way to
cut a word in pieces. So a pattern is counted before it is used. `ways` bounds from above in how many ways it can be laid
over the beginning of a line, from what it is made of (regex_tree.py): a repeat has one way where the
character behind it cannot be one of its own (`\\w+=`), else one for each length; what is repeated multiplies. Above
`MOST_WAYS` it is refused.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import combinations
from typing import Any

from drivers.regex_tree import tree

LONGEST = 128
"""Bytes of a line; a longer one is no line."""
MOST_WAYS = 2.0 * LONGEST**2
"""Two repeats that overlap with what follows, and one thing that may be left out. Measured in tests/drivers/test_patterns.py."""

PLAIN = r"(?P<id>[^\s=:]+)\s*[=:]\s*(?P<value>[-+.\d]*)\s*(?P<unit>[A-Za-z°]*)"
"""What is read where a rig file gives no pattern: `P1=2.31 bar`, `P1: 2.31`."""

_EVERY = (1 << 129) - 1
_OTHER = 1 << 128
"""Sets of characters are bits: one for each of ASCII, one for all others."""
_CATEGORIES = {"DIGIT": r"\d", "SPACE": r"\s", "WORD": r"\w"}
_FOLDS = re.compile(r"\(\?[a-zA-Z]*i")
_GROUP = re.compile(r"(value|unit)(?:_(\w+))?|id")


class PatternError(ValueError):
    """A pattern that cannot be used. The message says what is allowed."""


@dataclass(frozen=True, slots=True)
class Number:
    """Where one number stands in a line: the groups of its value and of its unit (None: no unit); `id` None: no fixed one."""

    id: str | None
    value: str
    unit: str | None


@dataclass(frozen=True, slots=True)
class LinePattern:
    """A pattern that may be used. `named`: whose the number is stands in the line, in the group `id`."""

    regex: re.Pattern[str]
    numbers: tuple[Number, ...]
    named: bool


def line_pattern(text: str) -> LinePattern:
    """The pattern of a text. Raises PatternError.

    It is laid over the whole line; `\\d` and `\\w` are nothing but ASCII's. Groups: `value` is the number, `id` whose it
    is, `unit` what it is in. Where a line holds several numbers, `value_T1` is the number of the id T1, and `unit_T1` its
    unit.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            regex = re.compile(text, re.ASCII)
            found = ways(text)
    except re.error as error:
        raise PatternError(f"a regular expression that compiles ({error})") from None
    except (ValueError, OverflowError, Warning) as error:
        raise PatternError(f"a regular expression that is plain ({error})") from None
    except RecursionError:
        raise PatternError("a regular expression with fewer groups within groups") from None
    if found > MOST_WAYS:
        raise PatternError(
            "a regular expression that cannot run away: nothing repeated that repeats itself, and at most two repeats that may take"
            " characters of what follows them"
        )
    return _numbers(regex)


def _numbers(regex: re.Pattern[str]) -> LinePattern:
    names = set(regex.groupindex)
    strange = sorted(name for name in names if not _GROUP.fullmatch(name))
    if strange:
        raise PatternError(f"groups called value, id and unit, or value_ID and unit_ID; not '{strange[0]}'")
    values = sorted((name for name in names if name.startswith("value")), key=lambda name: regex.groupindex[name])
    if not values:
        raise PatternError("a regular expression with a group (?P<value>...) for the number")
    if "value" in values and len(values) > 1:
        raise PatternError("either one group 'value' or groups such as 'value_T1', not both")
    alone = {name for name in names if name.startswith("unit") and name.replace("unit", "value", 1) not in names}
    if alone or ("id" in names and "value" not in names):
        raise PatternError(f"a group '{min(alone | ({'id'} & names))}' only beside the value it belongs to")
    numbers = (
        Number(value.partition("_")[2] or None, value, unit if (unit := "unit" + value[5:]) in names else None)
        for value in values
    )
    return LinePattern(regex, tuple(numbers), "id" in names)


def ways(text: str) -> float:
    """An upper bound of the ways to lay a pattern over the beginning of a line; infinite where none is known.

    The pattern is one that compiles. Raises ValueError for what is not counted: looking around, referring back, flags but `i`.
    """
    return _Count(bool(_FOLDS.search(text))).ways(tree(text), 0)


class _Count:
    """Counts over the tree of a pattern: a list of (operation, what it is about)."""

    def __init__(self, folds: bool) -> None:
        self._folds = folds

    def ways(self, items: list[Any], behind: int) -> float:
        """Ways through a row of items before one of the characters `behind` (or the line's end)."""
        total = 1.0
        for item in reversed(items):
            op, about = item
            total *= self._one(str(op), about, behind)
            first, empty = self._enters([item])
            behind = first | (behind if empty else 0)
        return total

    def _one(self, name: str, about: Any, behind: int) -> float:
        if name in ("SUBPATTERN", "ATOMIC_GROUP"):
            return self.ways(list(_inside(name, about)), behind)
        if name == "BRANCH":
            return self._branch([list(it) for it in about[1]], behind)
        if name.endswith("_REPEAT"):
            return self._repeat(about[0], int(about[1]), list(about[2]), behind)
        return 1.0

    def _branch(self, rows: list[list[Any]], behind: int) -> float:
        entered = [self._enters(row) for row in rows]
        sets = [first | (behind if empty else 0) for first, empty in entered]
        told = sum(empty for _, empty in entered) <= 1 and not any(a & b for a, b in combinations(sets, 2))
        each = [self.ways(row, behind) for row in rows]
        return max(each) if told else sum(each)

    def _repeat(self, least: int, most: int, inside: list[Any], behind: int) -> float:
        first, empty = self._enters(inside)
        if most == 1:
            told = not first & behind and not empty
            each = self.ways(inside, behind)
            return each if told or least else each + 1.0
        if empty:
            return float("inf")  # as often as one likes, and nothing gained
        told = not first & behind
        each = self.ways(inside, first | behind)
        times = min(most, LONGEST)
        if each == 1.0:
            return 1.0 if told else max(1.0, times - least + 1.0)
        return (times + 1.0) * each**times if times * each < 2.0**8 else float("inf")

    def _enters(self, items: Iterable[Any]) -> tuple[int, bool]:
        """(the characters that a row of items may begin with, whether it may be empty)."""
        first = 0
        for op, about in items:
            more, empty = self._enters_one(str(op), about)
            first |= more
            if not empty:
                return first, False
        return first, True

    def _enters_one(self, name: str, about: Any) -> tuple[int, bool]:
        if name == "AT":
            return 0, True
        if name in ("LITERAL", "NOT_LITERAL", "ANY", "IN"):
            return self._set(name, about), False
        if name in ("SUBPATTERN", "ATOMIC_GROUP"):
            return self._enters(_inside(name, about))
        if name == "BRANCH":
            each = [self._enters(row) for row in about[1]]
            return _union(first for first, _ in each), any(empty for _, empty in each)
        if name.endswith("_REPEAT"):
            first, empty = self._enters(about[2])
            return first, empty or about[0] == 0
        raise ValueError("it looks around or refers back")

    def _set(self, name: str, about: Any) -> int:
        if name == "ANY":
            return _EVERY
        if name == "IN":
            negated = str(about[0][0]) == "NEGATE"
            members = _union(self._set(str(op), it) for op, it in about[negated:])
            return (_EVERY & ~members) | _OTHER if negated else members
        if name == "CATEGORY":
            _, _, kind = str(about).partition("_")
            plain = _chars(re.compile(_CATEGORIES[kind.removeprefix("NOT_")], re.ASCII).fullmatch)
            return _EVERY & ~plain if kind.startswith("NOT_") else plain
        low, high = about if name == "RANGE" else (about, about)
        members = _chars(lambda char: low <= ord(char) <= high) | (_OTHER if high > 127 else 0)
        if self._folds:
            members |= _chars(lambda char: bool(members >> ord(char.swapcase()) & 1))
        return (_EVERY & ~members) | _OTHER if name == "NOT_LITERAL" else members


def _inside(name: str, about: Any) -> Iterable[Any]:
    row: Iterable[Any] = about[-1] if name == "SUBPATTERN" else about
    return row


def _union(sets: Iterable[int]) -> int:
    total = 0
    for it in sets:
        total |= it
    return total


def _chars(true: Callable[[str], object]) -> int:
    """The ASCII characters of which something is true."""
    return _union(1 << code for code in range(128) if true(chr(code)))
