"""Topics and topic filters of MQTT (5.0 section 4.7, the same in 3.1.1): which filter takes which topic, and which take the same.

Pure. In a filter `+` stands for one whole level, and `#` at its end for all that follows, and for nothing (4.7.1); `$share/GROUP/`
before one shares it among a group (4.8.2) and is no part of what it matches.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import zip_longest

FILTER = r"^(\$share/[^/+#\x00]+/)?(#|(\+|[^+#/\x00]*)(/(\+|[^+#/\x00]*))*(/#)?)$"
"""What a topic filter may look like."""


def shared(given: str) -> bool:
    """Whether a filter is shared: the broker gives each message to one of its group only."""
    return given.startswith("$share/") and given.count("/") > 1


def whole(given: str) -> bool:
    """Whether a filter that begins as a shared one has a group without wildcards, and something that is shared (4.8.2)."""
    begin, _, rest = given.partition("/")
    group, _, what = rest.partition("/")
    return begin != "$share" or bool(group and what and "+" not in group)


def levels(given: str) -> list[str]:
    """The levels of a topic, or of what a filter matches."""
    parts = given.split("/")
    return parts[2:] if shared(given) else parts


def wild(given: str) -> bool:
    """Whether a filter takes more than one topic."""
    return "+" in levels(given) or levels(given)[-1] == "#"


def matches(given: str, topic: str) -> bool:
    """Whether a filter takes a topic. A wildcard in front takes no topic that begins with `$` (4.7.2)."""
    return covers(given, topic) and not (topic.startswith("$") and levels(given)[0] in ("+", "#"))


def covers(wide: str, narrow: str) -> bool:
    """Whether a filter takes every topic that another takes, those that begin with `$` left aside."""
    ours, theirs = levels(wide), levels(narrow)
    for a, b in zip_longest(ours, theirs):
        if a == "#":
            return True
        if a is None or b in (None, "#") or a not in ("+", b):
            return False
    return True


def overlap(one: str, other: str) -> bool:
    """Whether there is a topic that both filters take."""
    for a, b in zip_longest(levels(one), levels(other)):
        if "#" in (a, b):
            return True
        if a is None or b is None or (a != b and "+" not in (a, b)):
            return False
    return True


def needed(filters: Iterable[str]) -> list[str]:
    """The filters to subscribe to so that every topic of all is had, and none twice because one covers another.

    Shared ones stay as they are: what they bring is brought to them alone.
    """
    every = list(dict.fromkeys(filters))
    return [it for it in every if shared(it) or not any(covers(o, it) for o in every if o != it and not shared(o))]


def example(given: str) -> str:
    """A topic that a filter takes."""
    return "/".join("any" if it in ("+", "#") else it for it in levels(given))
