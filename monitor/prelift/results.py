"""What a check says: one sentence about one thing, whether that is well, and the figures it rests on."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum


class Outcome(StrEnum):
    """How a check came out. Only OK is a pass; what was not tried is never shown as passed."""

    OK = "ok"
    WRONG = "wrong"
    UNSURE = "cannot say"
    OPEN = "not done"


@dataclass(frozen=True, slots=True)
class Result:
    """One result. `check` is the kind of check, `about` the channel, bag, port or item it is about (may be empty).

    `text` is the sentence, without them. `figures` are what it rests on, by name, in SI.
    """

    check: str
    about: str
    outcome: Outcome
    text: str
    figures: tuple[tuple[str, float | str | None], ...] = ()

    @property
    def note(self) -> str:
        """The result as a journal keeps it."""
        return " ".join(filter(None, ("prelift:", self.check, self.about, f"{self.outcome.value},", self.text)))


class Results:
    """All results so far, the newest of each thing in the place of its first."""

    def __init__(self) -> None:
        self._by_key: dict[tuple[str, str], Result] = {}

    def take(self, it: Result) -> None:
        """Take a result; one of the same thing replaces it."""
        self._by_key[it.check, it.about] = it

    def __iter__(self) -> Iterator[Result]:
        return iter(self._by_key.values())

    def get(self, check: str, about: str) -> Result | None:
        """The result on one thing, if there is one."""
        return self._by_key.get((check, about))

    def of(self, check: str) -> list[Result]:
        """All results of a kind."""
        return [it for it in self._by_key.values() if it.check == check]

    def undone(self, check: str) -> dict[str, list[str]]:
        """What of a kind was not done: why, and of what."""
        found: dict[str, list[str]] = {}
        for it in self.of(check):
            if it.outcome is Outcome.OPEN:
                found.setdefault(it.text, []).append(it.about)
        return found
