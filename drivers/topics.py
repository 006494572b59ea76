"""Topics and topic filters of MQTT (5.0 section 4.7, the same in 3.1.1): which filter takes which topic, and which take the same.

Pure. Filters here have `+` for one whole level and no `#`; `$share/GROUP/` before one shares it among a group (4.8.2) and is
no part of what it matches.
"""

from __future__ import annotations

from collections.abc import Iterable

FILTER = r"^(\$share/[^/+#\x00]+/)?(\+|[^+#/\x00]*)(/(\+|[^+#/\x00]*))*$"
"""What a topic filter may look like."""


def shared(given: str) -> bool:
    """Whether a filter is shared: the broker gives each message to one of its group only."""
    return given.startswith("$share/") and given.count("/") > 1


def levels(given: str) -> list[str]:
    """The levels of a topic, or of what a filter matches."""
    parts = given.split("/")
    return parts[2:] if shared(given) else parts


def wild(given: str) -> bool:
    """Whether a filter takes more than one topic."""
    return "+" in levels(given)


def matches(given: str, topic: str) -> bool:
    """Whether a filter takes a topic. A `+` in front takes no topic that begins with `$` (4.7.2)."""
    return covers(given, topic) and not (topic.startswith("$") and levels(given)[0] == "+")


def covers(wide: str, narrow: str) -> bool:
    """Whether a filter takes every topic that another takes, those that begin with `$` left aside."""
    wide_levels, narrow_levels = levels(wide), levels(narrow)
    return len(wide_levels) == len(narrow_levels) and all(
        a in ("+", b) for a, b in zip(wide_levels, narrow_levels, strict=True)
    )


def overlap(one: str, other: str) -> bool:
    """Whether there is a topic that both filters take."""
    ours, theirs = levels(one), levels(other)
    return len(ours) == len(theirs) and all(a == b or "+" in (a, b) for a, b in zip(ours, theirs, strict=True))


def needed(filters: Iterable[str]) -> list[str]:
    """The filters to subscribe to so that every topic of all is had, and none twice because one covers another.

    Shared ones stay as they are: what they bring is brought to them alone.
    """
    every = list(dict.fromkeys(filters))
    return [it for it in every if shared(it) or not any(covers(o, it) for o in every if o != it and not shared(o))]


def example(given: str) -> str:
    """A topic that a filter takes."""
    return "/".join("any" if it == "+" else it for it in levels(given))
