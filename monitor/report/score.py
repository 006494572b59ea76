"""A score sheet: the figures of a session held against an evaluation form.

What is not known earns nothing and is said, and so is what was known for too little of the lift. A better figure never earns
less. Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import floor

from monitor.debrief.figures import EACH_OF, KINDS, PRIORITIES, Figure, Figures, Kind
from monitor.encode import Json
from monitor.report.form import WORST, Asked, Form
from monitor.report.marking import Mark

CAUTION = (
    "A score is an aid to an instructor's judgement and no licence: a lift with a high score may have been unsafe in what no "
    "sensor sees. Who may lift is for those who answer for the training."
)


@dataclass(frozen=True, slots=True)
class Row:
    """One criterion and what it earned, weighted. `possible` is 0 where it was left out. `found` is what was measured, as a
    person reads it; `because` why it earned less than all, or was left out. `missed`: it is a must, and was not met.
    `known`: something was measured or marked."""

    asked: Asked
    wanted: str
    found: str
    earned: float
    possible: float
    known: bool
    missed: bool
    because: str = ""
    value: float | None = None

    @property
    def name(self) -> str:
        """The criterion's name."""
        return self.asked.criterion.name


@dataclass(frozen=True, slots=True)
class Sheet:
    """A whole score. `share` of what was possible, None where nothing was; `passed` and, where not, `because`;
    `notes` say what an instructor should know of the recording itself."""

    name: str
    says: str
    rows: tuple[Row, ...]
    earned: float
    possible: float
    passed: bool
    because: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def share(self) -> float | None:
        """Points earned over points possible, 0 to 1."""
        return self.earned / self.possible if self.possible > 0.0 else None


def score(form: Form, figures: Figures, marks: Sequence[Mark] = (), units: str = "metric") -> Sheet:
    """The score sheet of a session. `units` ("metric", "us"): in which it is read."""
    by_name = {mark.criterion: mark for mark in marks}
    rows = tuple(
        _marked(asked, by_name.get(asked.criterion.name))
        if asked.kind is None
        else _measured(form, asked, figures, units)
        for asked in form.asked
    )
    earned, possible = sum(row.earned for row in rows), sum(row.possible for row in rows)
    because = [f"{row.name}: a must that was not met" for row in rows if row.missed]
    wanted = form.info.pass_
    if wanted is not None and earned < wanted * possible:
        because.append(f"{percent(earned / possible)} of the points, {percent(wanted)} are asked")
    if possible <= 0.0:
        because.append("nothing in the form could be measured or marked")
    return Sheet(
        form.info.name,
        form.info.says,
        rows,
        earned,
        possible,
        not because,
        tuple(because),
        tuple(_notes(figures, rows)),
    )


def _notes(figures: Figures, rows: Sequence[Row]) -> list[str]:
    """What should be known of the recording before a score is believed."""
    notes = []
    if figures.value("recording.complete") == 0.0:
        notes.append("The recording was cut off or changed: it is scored as far as it could be played.")
    if figures.value("recording.same_as_live") == 0.0:
        notes.append("The engine says something else of it than it said live.")
    if figures.value("recording.lost"):
        notes.append("Some of it could not be written while it was recorded.")
    if unknown := [row.name for row in rows if not row.known and row.possible > 0.0]:
        notes.append(f"Not known or not marked, and so worth nothing: {', '.join(unknown)}.")
    return notes


def _marked(asked: Asked, mark: Mark | None) -> Row:
    """A free criterion."""
    must = asked.criterion.must
    if mark is None:
        return Row(asked, "marked by hand", "", 0.0, asked.points, False, must is not None, "not marked")
    earned = min(mark.points, asked.criterion.points) * asked.criterion.weight
    because = f"marked by {mark.by}" + (f": {mark.says}" if mark.says else "")
    return Row(asked, "marked by hand", "", earned, asked.points, True, _missed(asked, earned), because, mark.points)


def _measured(form: Form, asked: Asked, figures: Figures, units: str) -> Row:
    """A criterion over a figure; of several things the one that earns least."""
    assert asked.kind is not None, "it is over a figure"
    found = _found(asked.kind, asked.of, figures)
    graded = [_graded(form, asked, it, units) for it in found]
    there = [row for row in graded if row.possible > 0.0] or graded
    worst = min(there, key=lambda row: (row.earned, row.known))
    several = len(found) > 1
    return replace(worst, found=f"{worst.found} ({_told(found[graded.index(worst)])})") if several else worst


def _told(it: Figure) -> str:
    """What a figure is of."""
    return f"step {it.about}" if it.kind.family == "step" else it.about


def _found(kind: Kind, of: str, figures: Figures) -> list[Figure]:
    """The figures that a criterion is over: one at least, which says why where there is none."""
    if kind.family not in EACH_OF:
        it = figures.get(kind.name)
        return [it or Figure(kind, "", None, 0.0, "this recording has no such figure")]
    if kind.family == "alarm":
        return _alarms(kind, of, figures)
    if of == WORST:
        every = [it for it in figures if it.name == kind.name]
        return every or [Figure(kind, "", None, 0.0, f"the rig has no {kind.family}", nothing=True)]
    it = figures.get(kind.name, of)
    return [it or Figure(kind, of, None, 0.0, f"the rig has no {kind.family} '{of}'")]


def _alarms(kind: Kind, of: str, figures: Figures) -> list[Figure]:
    """The figures of the alarms that are meant: those that have every word of `of`. One that never rose was counted as none."""
    words = set() if of == WORST else set(of.split())
    its = [it for it in figures if it.name == kind.name and words <= set(it.about.split())]
    counted = kind.unit in ("count", "yes")
    sayers = [it for it in PRIORITIES if it in words] or PRIORITIES
    known = min(it.known for name in sayers if (it := figures.get(f"{name}.count")) is not None)
    if counted:
        total = sum(it.value or 0.0 for it in its)
        return [Figure(kind, of, min(total, 1.0) if kind.unit == "yes" else total, known)]
    return its or [Figure(kind, of, None, 0.0, "it never rose", nothing=True)]


def _graded(form: Form, asked: Asked, it: Figure, units: str) -> Row:
    """What one figure earns."""
    wanted, found = wanted_in_words(asked, units), it.shown(units)
    points, nothing = asked.points, asked.criterion.nothing
    if it.value is None and it.nothing:
        possible = 0.0 if nothing == "left out" else points
        earned = points if nothing == "full" else 0.0
        missed = nothing == "zero" and asked.criterion.must is not None
        said = f"{it.because}: {nothing if possible == 0.0 else f'{earned:g} points'}"
        return Row(asked, wanted, found, earned, possible, True, missed, said)
    because, earned, known = "", 0.0, False
    if it.value is None:
        because = it.because
    elif it.known < form.info.known:
        because = f"known for {percent(it.known)} of the lift, {percent(form.info.known)} are asked"
    else:
        known = True
        earned = max((band.points for band in asked.bands if band.holds(it.value)), default=0.0)
    return Row(asked, wanted, found, earned, points, known, _missed(asked, earned), because, it.value)


def _missed(asked: Asked, earned: float) -> bool:
    """Whether it is a must that was not met."""
    must = asked.criterion.must
    return (must == "full" and earned < asked.points) or (must == "some" and earned <= 0.0)


def wanted_in_words(asked: Asked, units: str) -> str:
    """What a criterion asks for: "at most 6 mm; at most 10 mm: 12 points"."""
    if asked.kind is None:
        return "marked by hand"
    said = []
    for at, band in enumerate(asked.bands):
        low, high = (Figure(asked.kind, "", it).shown(units) for it in (band.low, band.high))
        if asked.kind.unit == "yes":
            words = high if band.low is None else low
        elif band.low is not None and band.high is not None:
            words = f"{low} to {high}"
        elif band.low is None and band.high == 0.0:
            words = "none"
        else:
            words = f"at most {high}" if band.low is None else f"at least {low}"
        said.append(words if at == 0 else f"{words}: {band.points:g} points")
    return "; ".join(said)


def percent(share: float) -> str:
    """A share in percent, rounded down, so that what falls short of a mark never reads as if it had reached it."""
    return f"{floor(share * 100.0 + 1e-9)} %"


def as_json(sheet: Sheet) -> Json:
    """A score sheet for other programs; values in SI."""
    return {
        "form": sheet.name,
        "earned": sheet.earned,
        "possible": sheet.possible,
        "share": sheet.share,
        "passed": sheet.passed,
        "because": list(sheet.because),
        "notes": list(sheet.notes),
        "criteria": [
            {
                "criterion": row.name,
                "figure": row.asked.criterion.figure,
                "of": row.asked.of,
                "value": row.value,
                "unit": None if row.asked.kind is None else KINDS[row.asked.kind.name].unit,
                "known": row.known,
                "earned": row.earned,
                "possible": row.possible,
                "must": row.asked.criterion.must,
                "missed": row.missed,
                "because": row.because,
            }
            for row in sheet.rows
        ],
    }
