"""The measured figures of a session: one flat, ordered record. Score sheet, comparison, report and season read this alone.

A figure is a number with a name that never changes its meaning: `gap.greatest_m`, 0.0103. The figures of the whole session
are fixed and always there (`WHOLE`); those of one step, shore, stack, bag, channel or alarm (`EACH`) are rows of the same
shape whose `about` names the thing: `shore.gap_m` of N1. Values are SI. None is not known, never zero, and `because` says why.
Made by `measuring.Measuring`, in one pass of the engine. Pure.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from monitor import quantities


@dataclass(frozen=True, slots=True)
class Kind:
    """What a figure is. `unit`: of SI, or "1" (a share), "count", "yes" (1 or 0). `better`: "less", "more", or "" where
    neither is. `means`: what it says, in one line."""

    name: str
    unit: str
    better: str
    means: str

    @property
    def family(self) -> str:
        """What comes before the first dot: for a row of `EACH`, what kind of thing it is about."""
        return self.name.partition(".")[0]


_OF_ALARMS = (
    ("count", "count", "less", "{} alarms that rose"),
    ("seen_s", "s", "less", "longest that a {} waited until a person acknowledged it"),
    ("unseen", "count", "less", "{} alarms that nobody ever acknowledged, each once however often it rose"),
    ("longest_s", "s", "less", "longest that a {} stood until its cause was gone, or to the end"),
    ("standing", "count", "less", "{} alarms that stand at the end"),
    ("time_s", "s", "less", "time with at least one {} standing"),
)
_ASIDE = {"danger": ", STOP aside"}
"""A STOP is an alarm and a danger, and what people did."""
PRIORITIES = ("danger", "warning", "caution", "notice")

WHOLE: tuple[Kind, ...] = (
    Kind("recording.length_s", "s", "", "length of the recording"),
    Kind("recording.readings", "count", "", "readings in it"),
    Kind("recording.pictures", "count", "", "pictures in it: how often the engine looked"),
    Kind("recording.complete", "yes", "more", "it was closed and nothing in it was changed"),
    Kind("recording.same_as_live", "yes", "more", "the engine says the very alarms that it said live"),
    Kind("recording.lost", "count", "less", "entries that could not be written"),
    Kind("recording.blind_s", "s", "less", "time in which no picture was made for more than a second"),
    Kind("checklist.open", "count", "less", "items of the checklist that were open when the zero was taken"),
    Kind("zero.taken_s", "s", "", "when the zero was taken, since the recording began"),
    Kind("zero.times", "count", "", "how often the zero was taken"),
    Kind("plan.steps", "count", "", "steps that the plan has"),
    Kind("plan.ended", "count", "more", "steps that were ended"),
    Kind("plan.as_planned", "count", "more", "steps that were ended at their stop"),
    Kind("plan.early", "count", "less", "steps that were ended before their stop, or given up"),
    Kind("plan.retries", "count", "less", "steps that were begun again"),
    Kind("plan.abandoned", "yes", "less", "the plan was given up"),
    Kind("plan.took_s", "s", "less", "from the zero to the end of the last step"),
    Kind("order.faults", "count", "less", "times that the wrong bag was filled, or one too early"),
    Kind("order.out_of_step", "count", "less", "times that a bag moved which the step leaves alone"),
    Kind("rise.greatest_m", "m", "", "greatest rise at a stack's head"),
    Kind("rise.fastest_m_s", "m/s", "less", "fastest rise there"),
    Kind("rise.fastest_down_m_s", "m/s", "less", "fastest descent there, down positive"),
    Kind("tilt.greatest_rad", "rad", "less", "greatest tilt of the load since the zero"),
    Kind("lean.greatest_use", "1", "less", "greatest share of a stack's ring that its lean took up"),
    Kind("gap.greatest_m", "m", "less", "greatest gap between load and shore"),
    Kind("gap.over_s", "s", "less", "time with a shore farther behind than its gap allowed"),
    Kind("capture.risen_m", "m", "less", "greatest rise above where the load was last captured"),
    Kind("capture.over_s", "s", "less", "time with the load risen beyond what the plan allows between two captures"),
    Kind("fall.greatest_m", "m", "", "greatest fall at a stack's head, had the bags failed, the way down counted"),
    Kind("fall.raising_m", "m", "less", "the same, save while the plan lowers, when bags alone have to hold"),
    Kind("load.weight_n", "N", "", "weight by the bags' forces, as last known"),
    Kind("load.tip_rad", "rad", "", "angle at which the load goes over centre, as last known"),
    Kind("load.tip_least_rad", "rad", "", "the least that angle may be, errors counted"),
    Kind("load.bags_most_n", "N", "", "greatest force that all stacks carried together"),
    *(
        Kind(f"{priority}.{name}", unit, better, means.format(priority) + _ASIDE.get(priority, ""))
        for priority in PRIORITIES
        for name, unit, better, means in _OF_ALARMS
    ),
    Kind("stop.calls", "count", "", "STOP called"),
    Kind("stop.stood_s", "s", "", "time with a STOP standing"),
    Kind("stop.after_danger_s", "s", "less", "longest from the rise of a danger until STOP was called"),
    Kind("stop.missed", "count", "less", "dangers that came and went, or stand, without a STOP"),
    Kind("people.acknowledged", "count", "", "times that a person acknowledged alarms"),
    Kind("people.cribbed", "count", "", "times that cribbing was marked as packed"),
    Kind("people.notes", "count", "", "notes written during the lift"),
    Kind("sensors.not_ok_s", "s", "less", "time since the zero with at least one channel not ok"),
    Kind("sensors.worst_s", "s", "less", "longest that one channel was not ok since the zero, all together"),
    Kind("sensors.bad", "count", "less", "channels that were not ok at any time since the zero"),
)
"""The figures of a whole session, in their order. A name is added, never renamed."""

EACH: tuple[Kind, ...] = (
    Kind("step.started_s", "s", "", "when the step was begun last, since the recording began"),
    Kind("step.ended_s", "s", "", "when it was ended"),
    Kind("step.took_s", "s", "less", "from its last beginning to its end"),
    Kind("step.spent_s", "s", "less", "time in it, all tries together"),
    Kind("step.tries", "count", "less", "how often it was begun"),
    Kind("step.as_planned", "yes", "more", "it was ended at its stop"),
    Kind("step.rise_m", "m", "", "rise at a stack's head when it was left"),
    Kind("step.gap_m", "m", "less", "greatest gap between load and shore in it"),
    Kind("step.capture_m", "m", "less", "greatest rise in it above where the load was last captured"),
    Kind("step.fall_m", "m", "less", "greatest fall in it, had the bags failed"),
    Kind("step.lean_use", "1", "less", "greatest share of a stack's ring that its lean took up in it"),
    Kind("step.dangers", "count", "less", "dangers that rose in it"),
    Kind("step.alarms", "count", "less", "alarms that rose in it, dangers among them"),
    Kind("shore.gap_m", "m", "less", "greatest gap between load and this shore"),
    Kind("shore.over_s", "s", "less", "time it was farther behind than its gap allowed"),
    Kind("shore.load_most_n", "N", "", "greatest load that it may have carried, had it carried alone"),
    Kind("stack.rise_m", "m", "", "greatest rise at this stack's head"),
    Kind("stack.lean_use", "1", "less", "greatest share of its ring that its lean took up"),
    Kind("stack.slip_m", "m", "less", "farthest that its head went beyond what the load's motion explains"),
    Kind("stack.force_n", "N", "", "greatest force that it carried"),
    Kind("stack.share", "1", "", "its share of what all stacks carried when they carried most"),
    Kind("bag.pressure_pa", "Pa", "", "greatest pressure in this bag"),
    Kind("bag.use", "1", "less", "the same as a share of its working pressure"),
    Kind("channel.not_ok_s", "s", "less", "time since the zero in which this channel was not ok"),
    Kind("alarm.count", "count", "less", "how often this alarm rose"),
    Kind("alarm.first_s", "s", "", "when it rose first, since the recording began"),
    Kind("alarm.seen_s", "s", "less", "longest that it waited until a person acknowledged it"),
    Kind("alarm.unseen", "count", "less", "times that nobody acknowledged it"),
    Kind("alarm.longest_s", "s", "less", "longest that it stood until its cause was gone, or to the end"),
    Kind("alarm.standing", "yes", "less", "it stands at the end"),
)
"""The figures of each step (by its number), shore, stack, bag, channel, and alarm that rose ("danger shore-behind N1")."""

KINDS: dict[str, Kind] = {kind.name: kind for kind in (*WHOLE, *EACH)}
EACH_OF: tuple[str, ...] = tuple(dict.fromkeys(kind.family for kind in EACH))
"""The families of `EACH`: step, shore, stack, bag, channel, alarm."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure. `about`: what it is of, "" for the whole session. `known`: share of the lift's time, from the zero on, in
    which it was known, for what is gathered over time (of a count of alarms: in which no rule that says them was blind); 1 for
    any other, and 0 without a value.

    `because`: why there is no value. `nothing`: there is none because there was nothing to measure (no danger, so none that
    waited), which is something else than not known.
    """

    kind: Kind
    about: str
    value: float | None
    known: float = 1.0
    because: str = ""
    nothing: bool = False

    @property
    def name(self) -> str:
        """The name of its kind."""
        return self.kind.name

    def shown(self, units: str = "metric") -> str:
        """The value as a person reads it, in metric or US units; what is not known is "--"."""
        return shown(self.value, self.kind.unit, units)


class Figures:
    """All figures of a session, in order: `WHOLE` first, then `EACH` by family and thing.

    `words` says in words what a thing is, where its name alone does not: of a step "fill S1-upper: rise 62 mm at S1".
    """

    def __init__(self, figures: list[Figure], words: dict[tuple[str, str], str] | None = None) -> None:
        self._figures = {(it.name, it.about): it for it in figures}
        self.words = words or {}

    def __iter__(self) -> Iterator[Figure]:
        return iter(self._figures.values())

    def __len__(self) -> int:
        return len(self._figures)

    def get(self, name: str, about: str = "") -> Figure | None:
        """One figure, or None where this session has no such thing."""
        return self._figures.get((name, about))

    def value(self, name: str, about: str = "") -> float | None:
        """The value of one figure; None where it is not known, or is not there."""
        it = self.get(name, about)
        return None if it is None else it.value

    def abouts(self, family: str) -> list[str]:
        """The things of a family that have figures, in order: of "step" ["1", "2", ...]."""
        return list(dict.fromkeys(it.about for it in self if it.about and it.kind.family == family))

    def rows(self) -> list[dict[str, str | float | None]]:
        """As plain rows, the form in which they are written: figure, about, value, unit, known, because."""
        return [
            {
                "figure": it.name,
                "about": it.about,
                "value": it.value,
                "unit": it.kind.unit,
                "known": it.known,
                "because": it.because,
            }
            for it in self
        ]


def shown(value: float | None, unit: str, units: str = "metric") -> str:
    """A value in a figure's unit as a person reads it; "--" where it is not known."""
    if value is None:
        return quantities.UNKNOWN
    if unit == "s":
        return f"{value:.1f} s" if abs(value) < 599.95 else f"{value / 60.0:.1f} min"
    if unit == "yes":
        return "yes" if value else "no"
    if unit == "count":
        return f"{value:.0f}"
    if unit == "1":
        return f"{value * 100.0:.0f} %"
    if unit == "m/s":
        return quantities.speed(value, units)
    return quantities.value(value, {"m": "length", "rad": "angle", "N": "force", "Pa": "pressure"}[unit], units)
