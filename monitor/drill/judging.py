"""What a drill must sound against what sounded: each must with its time, and whatever should have stayed silent.

The body of `inchwatch drill NAME --judge`: a drill played offline at full speed, through the real decoders and the engine.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from monitor.debrief.verdict import Verdict
from monitor.drill.faults import DrillError
from monitor.drill.offline import play
from monitor.drill.scenario import Must, Scenario
from monitor.drill.wire import VirtualRig
from monitor.encode import Json
from monitor.engine.picture import Picture
from monitor.engine.rules import RULES
from monitor.rig.schema import Rig

_GRAVE = ("warning", "danger")


@dataclass(frozen=True, slots=True)
class Heard:
    """What became of one thing that must sound: when it did (s since the drill began), and the latest it might."""

    must: Must
    at_s: float | None
    latest_s: float | None

    @property
    def late(self) -> bool:
        """Whether it sounded, but not in time."""
        return self.at_s is not None and self.latest_s is not None and self.at_s > self.latest_s

    @property
    def well(self) -> bool:
        """Whether it sounded in time."""
        return self.at_s is not None and not self.late

    def as_json(self) -> Json:
        """For programs."""
        said = self.must.model_dump(include={"rule", "about", "priority"})
        return said | {"sounded": self.at_s, "latest": self.latest_s, "late": self.late, "ok": self.well}


@dataclass(frozen=True, slots=True)
class Judgement:
    """A drill's outcome: each must, and the alarms that should not have sounded (a verdict's entries)."""

    heard: tuple[Heard, ...]
    besides: tuple[Json, ...]

    @property
    def well(self) -> bool:
        """Whether exactly what must sounded, in time, and nothing besides."""
        return all(it.well for it in self.heard) and not self.besides


def judgement(it: Scenario, alarms: Sequence[Json], began: Mapping[str, float]) -> Judgement:
    """Hold what sounded (a verdict's alarms) against what a drill says. `began`: when each named move did (s).

    An alarm that a must allows only after a move is one too many when it sounds before.
    """
    heard: list[Heard] = []
    allowed: set[int] = set()
    for must in it.must:
        start = 0.0 if must.after is None else began.get(must.after)  # None: the move was never come to
        key = (must.rule, must.about, must.priority)
        ours = [i for i, a in enumerate(alarms) if start is not None and _key(a) == key and a["raised"] >= start]
        allowed |= set(ours)
        latest = None if must.by is None or start is None else round(start + must.by, 4)
        heard.append(Heard(must, alarms[ours[0]]["raised"] if ours else None, latest))
    besides = [a for i, a in enumerate(alarms) if i not in allowed and _forbidden(it, a)]
    return Judgement(tuple(heard), tuple(besides))


def _key(alarm: Json) -> tuple[str, str, str]:
    return alarm["rule"], alarm["about"], alarm["priority"]


def _forbidden(it: Scenario, alarm: Json) -> bool:
    return alarm["priority"] in _GRAVE if it.must_not == "other" else alarm["rule"] in it.must_not


def known_rules(it: Scenario) -> None:
    """Raise DrillError where a drill names a rule, or a rule's priority, that the monitor does not have."""
    priorities: dict[str, list[str]] = {}
    for rule in RULES:
        priorities.setdefault(rule.name, []).append(rule.priority.word)
    named = [(f"must[{i}].rule", must.rule) for i, must in enumerate(it.must)]
    named += [(f"must_not[{i}]", name) for i, name in enumerate([] if it.must_not == "other" else it.must_not)]
    for key, name in named:
        if name not in priorities:
            raise DrillError(f"{it.name}: {key}: found '{name}'; allowed is one of {', '.join(priorities)}")
    for i, must in enumerate(it.must):
        if must.priority not in (has := priorities[must.rule]):
            raise DrillError(
                f"{it.name}: must[{i}].priority: found '{must.priority}'; allowed for {must.rule} is {' or '.join(has)}"
            )


def judged(rig: Rig, it: Scenario, seed: int) -> tuple[Judgement, Verdict]:
    """Play a drill at full speed and judge it. Raises DrillError."""
    known_rules(it)
    began: dict[str, float] = {}

    def watch(virtual: VirtualRig, _: Picture) -> None:
        began.update(virtual.crew.began)

    verdict = play(rig, it, seed=seed, on_step=watch)
    return judgement(it, verdict.alarms, began), verdict


def as_json(it: Scenario, seed: int, outcome: Judgement, verdict: Verdict) -> str:
    """One object on one line."""
    return json.dumps(
        {
            "drill": it.name,
            "rig": it.rig,
            "seed": seed,
            "ok": outcome.well,
            "must": [one.as_json() for one in outcome.heard],
            "besides": list(outcome.besides),
            **verdict.as_json(),
        }
    )


def in_words(it: Scenario, outcome: Judgement) -> str:
    """For a person: a line each."""
    lines = [f"drill {it.name}: {it.title}"]
    lines += [f"  {_fate(one):<22}{one.must.rule} {one.must.about}, {one.must.priority}" for one in outcome.heard]
    lines += [f"  {a['raised']:6.1f} s TOO MUCH    {a['text']}" for a in outcome.besides]
    if not outcome.heard and not outcome.besides:
        lines.append("  silent, as it must be")
    lines.append("verdict: " + ("as it must be" if outcome.well else "not as it must be"))
    return "\n".join(lines)


def _fate(one: Heard) -> str:
    if one.at_s is None:
        return "       DID NOT SOUND"
    if one.late:
        return f"{one.at_s:6.1f} s LATE, {one.latest_s:.1f} s"
    return f"{one.at_s:6.1f} s as it must"
