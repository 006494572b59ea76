"""The lift in one paragraph of plain words. Everything in it is measured; what is not known is said to be not known."""

from __future__ import annotations

from math import degrees

from monitor import quantities as show
from monitor.debrief.marks import Kind
from monitor.engine.picture import Priority
from monitor.report.facts import Facts
from monitor.report.risings import Raised
from monitor.report.words import clock, count, day, listed, off, share, span

_NAMED = 3
"""Dangers that are told one by one."""


def paragraph(facts: Facts) -> str:
    """The whole paragraph."""
    said = [_when(facts)]
    if facts.last is None:
        return f"{said[0]} It holds no picture: the engine was never asked what it saw."
    if facts.zero_ns is None:
        said.append("No zero was taken, so nothing of the lift was measured.")
    else:
        said += [_zero(facts), _plan(facts), _height(facts), _tilt(facts), _danger_of_falling(facts)]
    said += [_alarms(facts), *_dangers(facts), _stop(facts), _sensors(facts)]
    return " ".join(sentence for sentence in said if sentence)


def trust(facts: Facts) -> list[str]:
    """What the recording itself is like, in sentences: whether it is whole, and whether the engine says again what it said live."""
    recording = facts.recording
    said = []
    if recording.complete:
        said.append("The recording was closed in order, and every byte of it is as it was written.")
    else:
        said.append(f"THE RECORDING IS NOT WHOLE: {recording.damage or 'it was not closed'}.")
    lost = sum(gap.lost for gap in recording.gaps)
    if lost:
        said.append(f"LOST: {count(lost, 'entry', 'entries')} could not be written when this was recorded.")
    if recording.unknown:
        said.append(
            f"{count(recording.unknown, 'line')} of a kind that this program does not know was passed over.".capitalize()
        )
    if facts.same_as_live:
        said.append("The engine, run again over it, says the very alarms that it said live, at the same times.")
    else:
        said.append(
            "NOT THE SAME AS LIVE: the engine, run again over it, now says other alarms than were said during the lift."
            " This report tells what it says now."
        )
    if facts.late:
        said.append(
            f"{count(facts.late, 'notice')} could not be written when it happened, and stands later than it was.".capitalize()
        )
    return said


def _when(facts: Facts) -> str:
    rig = facts.rig
    begun = day(facts.started)
    on = f"on {begun}" if facts.started is not None else begun
    return (
        f"The recording of the rig {rig.rig.name}, whose load is the {rig.load.name}, was begun {on} and is"
        f" {span(facts.end_ns * 1e-9)} long."
    )


def _zero(facts: Facts) -> str:
    times = facts.figures.value("zero.times") or 0.0
    again = f", for the {int(times)}th time" if times > 3 else ", anew" if times > 1 else ""
    return f"The zero was taken at {clock(facts.zero_ns, facts.end_ns)}{again}."


def _plan(facts: Facts) -> str:
    steps = facts.steps
    if not steps:
        return "The rig file holds no plan."
    well, early = sum(it.ok is True for it in steps), [it.number for it in steps if it.ok is False]
    began = [it for it in steps if it.begun]
    said = f"Of {count(len(steps), 'planned step')} {_few(len(began))} {_was(len(began))} begun, and {_few(well)} ended as planned"
    if early:
        said += f"; {_numbers(early)} ended before {'its stop' if len(early) == 1 else 'their stops'}"
    retried = [it.number for it in steps if len(it.begun) > 1]
    if retried:
        said += f"; {_numbers(retried)} {_was(len(retried))} begun more than once"
    if facts.last is not None and facts.last.abandoned:
        said += "; then the plan was given up"
    return f"{said}."


def _few(number: int) -> str:
    return count(number, "").strip() if number else "none"


def _was(number: int) -> str:
    return "was" if number == 1 else "were"


def _numbers(numbers: list[int]) -> str:
    return f"step{'s' if len(numbers) > 1 else ''} {listed([str(it) for it in numbers])}"


def _height(facts: Facts) -> str:
    units = facts.rig.rig.units
    if facts.highest is None:
        return "The rise was never known."
    at, load = facts.highest
    top = off(show.length(load.rise_m, units, load.bound_m), show.bound(load.bound_m, units))
    last = facts.last.load if facts.last is not None else None
    ended = show.UNKNOWN if last is None else show.length(last.rise_m, units, last.bound_m)
    end = "is not known at the end" if ended == show.UNKNOWN else f"stood at {ended} at the end"
    return f"The load rose by {top} at most, at {at}, and {end}."


def _tilt(facts: Facts) -> str:
    series = facts.series.get(("tilt whole", ""))
    if series is None or series.top is None:
        return "Its tilt was never known."
    limit = facts.rig.limits.tilt
    said = f"It tilted by {show.angle(series.top[1], series.top[2])} at most, of {degrees(limit):.3g}° allowed."
    return f"{said}{_tip(facts)}"


def _tip(facts: Facts) -> str:
    """Where it goes over centre, as far as that was measured: what the plan allows says nothing of it."""
    it = facts.balance
    if it is None or it.tip_rad is None:
        return ""
    least = "" if it.tip_least_rad is None else f", at {show.angle(it.tip_least_rad)} at the least"
    off = None if it.tip_sd_rad is None else 2.0 * it.tip_sd_rad
    return f" By its balance it goes over centre at {show.angle(it.tip_rad, off)}{least}."


def _danger_of_falling(facts: Facts) -> str:
    series = facts.series.get(("fall", ""))
    if series is None or series.top is None:
        return "How far it could have fallen was never known."
    at, deep, _ = series.top
    if deep <= 0.0:
        return "At no moment could it have fallen, had the bags failed."
    units = facts.rig.rig.units
    whole, raising = show.length(deep, units), facts.figures.value("fall.raising_m")
    said = f"Had the bags failed, it would have fallen by {whole} at the worst moment, {clock(at, facts.end_ns)}"
    before = show.length(raising, units)
    if raising is None or before == whole:
        return f"{said}."
    return f"{said}, on the way down; until it was lowered, by {before} at most."


def _alarms(facts: Facts) -> str:
    by = {priority: sum(it.priority is priority for it in facts.befell) for priority in reversed(Priority)}
    parts = [count(number, priority.word) for priority, number in by.items() if number]
    if not parts:
        return "No alarm rose."
    whole = count(len(facts.befell), "alarm").capitalize()
    said = f"{whole} rose{',' if len(parts) == 1 else ':'} {listed(parts)}."
    unseen = [it for it in facts.befell if not it.seen and not it.set_aside]
    if unseen:
        if len(facts.befell) == 1:
            said += " It was never acknowledged."
        elif len(unseen) == len(facts.befell):
            said += " Nobody ever acknowledged any."
        else:
            said += f" {_few(len(unseen)).capitalize()} of them {_was(len(unseen))} never acknowledged."
    return said


def _dangers(facts: Facts) -> list[str]:
    dangers = [it for it in facts.befell if it.priority is Priority.DANGER]
    first: dict[tuple[str, str], Raised] = {}
    for it in dangers:
        first.setdefault((it.rule, it.about), it)
    told = list(dict.fromkeys(id(it) for it in [*first.values(), *dangers]))[
        :_NAMED
    ]  # each kind once before one of them twice
    said = [_danger(it, facts) for it in dangers if id(it) in told]
    left = len(dangers) - len(said)
    if left:
        said.append(f"{count(left, 'more danger').capitalize()} {'is' if left == 1 else 'are'} told below.")
    return said


def _danger(it: Raised, facts: Facts) -> str:
    what = it.text[8:].rpartition(" - ")[0] or it.text
    seen = "nobody acknowledged it" if it.seen_s is None else f"it was acknowledged after {span(it.seen_s)}"
    gone = "it stands at the end" if it.stood_s is None else f"its cause was gone after {span(it.stood_s)}"
    return f"At {clock(it.raised_ns, facts.end_ns)} danger: {what}; {seen}, and {gone}."


def _stop(facts: Facts) -> str:
    calls = [mark for mark in facts.marks if mark.kind is Kind.ACTION and mark.word == "stop"]
    if not calls:
        return ""
    when = listed([clock(mark.time_ns, facts.end_ns) for mark in calls[:_NAMED]])
    more = f", and {count(len(calls) - _NAMED, 'time')} after that" if len(calls) > _NAMED else ""
    return f"STOP was called at {when}{more}."


def _sensors(facts: Facts) -> str:
    bad = [it for it in facts.health if it.not_ok_ns > 0]
    if not facts.health:
        return ""
    if not bad:
        return f"All {len(facts.health)} channels were well all the time."
    worst = max(bad, key=lambda it: it.not_ok_ns)
    return (
        f"Of {len(facts.health)} channels {_few(len(bad))} {_was(len(bad))} not well at some time,"
        f" {worst.name} longest: {share(worst.not_ok_share)} of it."
    )
