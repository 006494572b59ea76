"""Lifts side by side: their figures, what differs, and which is better where a direction is known.

Steps are laid beside each other by their number, whatever the clock said, where the plans have the same there. What is not known
is no better or worse than anything. Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.debrief.figures import EACH, EACH_OF, WHOLE, Figure, Kind, shown
from monitor.encode import Json
from monitor.report.lifts import Lift

MOST = 12
"""So many lifts fit beside each other; more are a season."""
KNOWN = 0.9
"""Share of a lift in which a figure must have been known to be better or worse than another's (common practice, no source)."""
_LETTERS = "ABCDEFGHIJKL"


@dataclass(frozen=True, slots=True)
class Compared:
    """One figure of every lift, in their order; None where a lift has no such thing. `best`: the lifts that are best in it, none
    where no direction is known or all are alike. `difference` (SI): of two lifts, the second less the first."""

    kind: Kind
    about: str
    figures: tuple[Figure | None, ...]
    best: frozenset[int]
    difference: float | None

    def told(self, at: int, units: str) -> str:
        """The value of one lift as a person reads it."""
        it = self.figures[at]
        return "--" if it is None else it.shown(units)

    def apart(self, units: str) -> str:
        """The difference as a person reads it, with its sign; "" where there is none to tell."""
        if self.difference is None or self.kind.unit == "yes":
            return ""
        if _alike(self.difference, self.kind, units):
            return "alike"
        return f"{'+' if self.difference > 0.0 else '−'}{shown(abs(self.difference), self.kind.unit, units)}"


@dataclass(frozen=True, slots=True)
class Comparison:
    """Lifts and their figures. `steps`: numbers of the steps that all plans have alike, and each in words."""

    lifts: tuple[Lift, ...]
    whole: tuple[Compared, ...]
    each: tuple[Compared, ...]
    steps: dict[int, str]
    notes: tuple[str, ...]

    @property
    def letters(self) -> str:
        """A letter for each lift."""
        return _LETTERS[: len(self.lifts)]

    @property
    def units(self) -> str:
        """What it is read in: as the first rig file has it."""
        return self.lifts[0].rig.rig.units

    def wins(self, at: int) -> int:
        """In how many figures of the whole session a lift is the only best."""
        return sum(it.best == {at} for it in self.whole)


def compare(lifts: Sequence[Lift]) -> Comparison:
    """Lay lifts beside each other, 2 to MOST of them, in the order given."""
    steps = _steps(lifts)
    units = lifts[0].rig.rig.units
    whole = [_compared(kind, "", lifts, units) for kind in WHOLE]
    each = []
    for family in EACH_OF:
        for about in dict.fromkeys(about for lift in lifts for about in lift.figures.abouts(family)):
            if family != "step" or int(about) in steps:
                each += [_compared(kind, about, lifts, units) for kind in EACH if kind.family == family]
    return Comparison(
        tuple(lifts), tuple(filter(_tells, whole)), tuple(filter(_tells, each)), steps, tuple(_notes(lifts, steps))
    )


def _steps(lifts: Sequence[Lift]) -> dict[int, str]:
    """The steps that all plans have alike: the same thing done with the same bag. Where each stops is the first's."""
    steps = {}
    for number, step in enumerate(lifts[0].rig.step, 1):
        plans = [lift.rig.step[number - 1 : number] for lift in lifts]
        if all(plan and (plan[0].do, plan[0].bag) == (step.do, step.bag) for plan in plans):
            steps[number] = lifts[0].figures.words.get(("step", str(number)), step.do)
    return steps


def _compared(kind: Kind, about: str, lifts: Sequence[Lift], units: str) -> Compared:
    found = tuple(lift.figures.get(kind.name, about) for lift in lifts)
    values = [None if it is None else it.value for it in found]
    two = len(values) == 2 and values[0] is not None and values[1] is not None
    difference = values[1] - values[0] if two and values[0] is not None and values[1] is not None else None
    return Compared(kind, about, found, _best(kind, found, units), difference)


def _best(kind: Kind, found: Sequence[Figure | None], units: str) -> frozenset[int]:
    """Which are best, of those that were known for long enough; what is hardly apart is alike."""
    sure = {
        at: it.value for at, it in enumerate(found) if it is not None and it.value is not None and it.known >= KNOWN
    }
    none = any(
        it is not None and it.nothing for it in found
    )  # no danger at all is no worse than one that was seen soon
    if not kind.better or none or len(sure) < 2:
        return frozenset()
    best = (min if kind.better == "less" else max)(sure.values())
    alike = frozenset(at for at, value in sure.items() if _alike(value - best, kind, units))
    return frozenset() if len(alike) == len(sure) else alike


def _alike(difference: float, kind: Kind, units: str) -> bool:
    """Whether two values are no farther apart than is told in figures of their kind."""
    return shown(abs(difference), kind.unit, units) == shown(0.0, kind.unit, units)


def _tells(it: Compared) -> bool:
    """Whether any lift has a value there, and one that is not merely none in all."""
    values = [figure.value for figure in it.figures if figure is not None and figure.value is not None]
    return bool(values) and (it.kind.unit not in ("count", "s", "yes") or it.kind.name in _ALWAYS or any(values))


_ALWAYS = frozenset(("danger.count", "order.faults", "gap.over_s", "stop.calls", "plan.retries"))
"""Figures that are shown also where all lifts have none: that there was none is the news."""


def _notes(lifts: Sequence[Lift], steps: dict[int, str]) -> list[str]:
    notes = []
    if len({lift.rig.rig.name for lift in lifts}) > 1:
        notes.append(f"Not the same rig: {', '.join(lift.rig.rig.name for lift in lifts)}.")
    ended = [lift.figures.value("plan.ended") for lift in lifts]
    if len(set(ended)) > 1:
        far = ", ".join(f"{letter} {shown(it, 'count')}" for letter, it in zip(_LETTERS, ended, strict=False))
        notes.append(
            f"They did not go equally far (steps ended: {far}): less was risked in less; compare step by step."
        )
    longest = max(len(lift.rig.step) for lift in lifts)
    if len(steps) < longest:
        notes.append(
            f"The plans agree in {len(steps)} of up to {longest} steps; only those are laid beside each other."
        )
    if len({(lift.rig.limits, tuple(shore.gap_allowed for shore in lift.rig.shore)) for lift in lifts}) > 1:
        notes.append(
            "They were made under other limits or allowed gaps: times beyond a limit are not the same measure."
        )
    for letter, lift in zip(_LETTERS, lifts, strict=False):
        if lift.damage:
            notes.append(f"{letter}: {lift.damage}")
    return notes


def as_json(it: Comparison) -> Json:
    """A comparison for other programs; values in SI, `best` as places in `lifts`."""
    return {
        "lifts": [
            {"file": str(lift.path), "rig": lift.rig.rig.name, "started": lift.started, "damage": lift.damage or None}
            for lift in it.lifts
        ],
        "notes": list(it.notes),
        "steps": {str(number): words for number, words in it.steps.items()},
        "figures": [
            {
                "figure": row.kind.name,
                "about": row.about,
                "unit": row.kind.unit,
                "better": row.kind.better or None,
                "values": [None if figure is None else figure.value for figure in row.figures],
                "known": [0.0 if figure is None else figure.known for figure in row.figures],
                "difference": row.difference,
                "best": sorted(row.best),
            }
            for row in (*it.whole, *it.each)
        ],
    }
