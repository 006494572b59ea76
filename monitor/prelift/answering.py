"""Which channel answers when one thing is moved or given a breath of air.

Each channel is its own yardstick: its change is counted in standard deviations of its own readings at rest. The one that
changes most is held against the one that should have. Pure: readings in, a result out.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import fsum, sqrt
from statistics import median

from drivers.reading import Reading
from monitor.prelift.results import Outcome, Result
from monitor.prelift.targets import Target

REST_NS = 2_000_000_000
"""How long a channel is watched to know its rest, as long as the engine's zero."""
ANSWERS = 10.0
"""Standard deviations from rest that are an answer (invented): no noise reaches that, any hand does."""
_QUIETER = 2.0
"""Times that the one that answers must exceed the next of its kind (invented); nearer, both are said to answer."""
_RESTS = 4.0
"""Standard errors by which the halves of a rest may differ, and times its noise its spread may be (as at the zero: four,
three; common practice, no source)."""
_RETURNED = 0.2
"""Share of its answer within which a channel has come back (invented)."""
_FEWEST = 4
"""Readings of a rest; a slow sensor is given the longer for it."""


@dataclass(frozen=True, slots=True)
class Rest:
    """What a channel reads at rest: mean, and one standard deviation of a reading (SI)."""

    mean: float
    sd: float


class Watched:
    """One channel: its last seconds, its rest, and how far it has gone from there.

    A change is the median of three readings in a row, so that one spoilt reading is none.
    """

    def __init__(self, noise: float, stale_after_ns: int) -> None:
        self._noise, self._stale_ns = noise, stale_after_ns
        self._recent: deque[tuple[int, float]] = deque()
        self.rest: Rest | None = None
        self.peak = 0.0
        """The greatest change since the rest, signed, in standard deviations."""

    def take(self, reading: Reading) -> None:
        """Take a reading of this channel."""
        if not reading.quality.valid:
            return
        self._recent.append((reading.time_ns, reading.value))
        while len(self._recent) > _FEWEST and reading.time_ns - self._recent[0][0] > REST_NS:
            self._recent.popleft()
        if self.rest is not None and abs(now := self._change()) > abs(self.peak):
            self.peak = now

    def _change(self) -> float:
        assert self.rest is not None, "a change is one from rest"
        now = median(value for _, value in list(self._recent)[-3:]) if len(self._recent) >= 3 else self.rest.mean
        return (now - self.rest.mean) / self.rest.sd

    def heard(self, now_ns: int) -> bool:
        """Whether it has said anything of late."""
        return bool(self._recent) and now_ns - self._recent[-1][0] <= self._stale_ns

    def rests(self, now_ns: int) -> bool:
        """Whether it has been heard for the whole while and stands still."""
        if len(self._recent) < _FEWEST or not self.heard(now_ns) or now_ns - self._recent[0][0] < 3 * REST_NS // 4:
            return False
        values = [value for _, value in self._recent]
        (older, older_sd), (newer, newer_sd) = map(_mean_sd, (values[: len(values) // 2], values[len(values) // 2 :]))
        sd = max(self._noise, older_sd, newer_sd)
        return sd <= 3.0 * self._noise and abs(newer - older) <= _RESTS * sd * sqrt(4.0 / len(values))

    def begin(self) -> None:
        """Take the last seconds as its rest, and forget what it did before."""
        mean, sd = _mean_sd([value for _, value in self._recent])
        self.rest, self.peak = Rest(mean, max(sd, self._noise)), 0.0

    def leave_out(self) -> None:
        """It does not rest, so it can be no witness."""
        self.rest, self.peak = None, 0.0

    @property
    def returned(self) -> bool:
        """Whether it is back where it was, or nearly."""
        return self.rest is None or abs(self._change()) <= max(ANSWERS, _RETURNED * abs(self.peak))


def _mean_sd(values: list[float]) -> tuple[float, float]:
    mean = fsum(values) / len(values)
    spread = fsum((value - mean) ** 2 for value in values)
    return mean, sqrt(spread / (len(values) - 1)) if len(values) > 1 else 0.0


@dataclass(frozen=True, slots=True)
class Answer:
    """Who answered. `changes`: by channel, the greatest change in own standard deviations; without those left out.

    `kinds`: each channel's quantity.
    """

    target: Target
    changes: Mapping[str, float]
    kinds: Mapping[str, str]

    @property
    def answering(self) -> list[str]:
        """The channels that answer, the strongest first: of the kind that should, else of any.

        Air that lifts a shore moves its extension too, by more of its own noise: so the kind that was asked comes first.
        """
        beyond = [name for name, change in self.changes.items() if abs(change) >= ANSWERS]
        kind = self.kinds[self.target.channel]
        alike = [name for name in beyond if self.kinds[name] == kind]
        found = sorted(alike or beyond, key=lambda name: -abs(self.changes[name]))
        return [name for name in found if abs(self.changes[name]) * _QUIETER > abs(self.changes[found[0]])]

    @property
    def instead(self) -> str | None:
        """The one channel that answers in the place of the right one, if it is one."""
        found = self.answering
        return found[0] if len(found) == 1 and found[0] != self.target.channel else None


def judge(answer: Answer, earlier: Iterable[Answer] = (), owners: Mapping[str, str] | None = None) -> Result:
    """What came of it. `earlier`: what other targets made answer; `owners`: channel to the name of its target."""
    target, found = answer.target, answer.answering
    figures = tuple((name, round(answer.changes[name], 2)) for name in found)

    def said(outcome: Outcome, text: str) -> Result:
        return Result(target.check, target.name, outcome, text, figures)

    if target.channel not in answer.changes and not found:
        return said(Outcome.UNSURE, f"{target.channel} does not rest, so nothing can be said")
    if not found:
        return said(Outcome.WRONG, "nothing answers: " + _LOOK[target.air])
    if len(found) > 1:
        names = " and ".join(found)
        alone = (
            "joined hoses or wires, or more than one was moved" if target.channel in found else "none is the right one"
        )
        return said(Outcome.WRONG, f"{names} answer alike: {alone}")
    there = f"({abs(answer.changes[found[0]]):.0f} times its noise)"
    if found[0] == target.channel:
        return said(Outcome.OK, f"{found[0]} answers {there}")
    other = (owners or {}).get(found[0], found[0])
    both = any(it.target.name == other and it.instead == target.channel for it in earlier)
    what = "hoses or wires" if target.air else "wires or mounts"
    if both:
        return said(
            Outcome.WRONG, f"{found[0]} answers instead {there}: {what} of {target.name} and {other} are crossed"
        )
    return said(Outcome.WRONG, f"{found[0]} answers instead {there}: look for a crossed hose or swapped wire")


_LOOK = {
    True: "look for an unseated coupling first, then a shut valve, then crossed hoses",
    False: "look at its plug first, then whether it is fixed to what was moved, then for swapped wires",
}
