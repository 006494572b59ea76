"""How the lift went, in charts over its time, each with a sentence that says the same in words."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from math import degrees

from monitor import quantities as show
from monitor.report.axes import Scale, Times
from monitor.report.charts import LOOKS, Curve, Level, chart, near
from monitor.report.facts import Facts
from monitor.report.series import Series
from monitor.report.words import clock, listed, off, share

Said = Callable[[float, float | None], str]
"""A value (SI) and how far it may be off, in words."""


@dataclass(frozen=True, slots=True)
class Drawn:
    """One chart: its SVG, "" where nothing was known, and what stands under it."""

    title: str
    svg: str
    caption: str


def scale(quantity: str, units: str) -> Scale:
    """The scale of an axis for a quantity, in the rig's units."""
    us = units == "us"
    return {
        "length": Scale(1.0 / 0.0254, "in", 0.4) if us else Scale(1e3, "mm", 10.0),
        "pressure": Scale(1.0 / 6894.757293168361, "psi", 5.0) if us else Scale(1e-5, "bar", 0.4),
        "force": Scale(1.0 / 4.4482216152605, "lbf", 200.0) if us else Scale(1e-3, "kN", 1.0),
        "angle": Scale(degrees(1.0), "°", 1.0),
        "share": Scale(100.0, "%", 20.0),
    }[quantity]


def course(facts: Facts, times: Times) -> Iterator[Drawn]:
    """All charts, in order."""
    units, limits = facts.rig.rig.units, facts.rig.limits
    length: Said = lambda value, bound: _length(value, bound, units)  # noqa: E731
    plain: Said = lambda value, _: show.length(value, units)  # noqa: E731
    yield _drawn(
        facts,
        times,
        "Rise at the heads of the stacks",
        "rise",
        "length",
        length,
        _stops(facts),
        "Broken: the plan's stops.",
    )
    tilt = [Level(limits.tilt, f"{degrees(limits.tilt):.3g}° allowed"), Level(-limits.tilt, "")]
    yield _drawn(facts, times, "Tilt along the load's axes", "tilt", "angle", show.angle, tilt)
    for stack in facts.rig.stack:
        bags = {bag.name: facts.series[key] for bag in stack.bag if (key := ("pressure", bag.name)) in facts.series}
        levels = [
            Level(working, f"working pressure {show.pressure(working, units)}")
            for working in dict.fromkeys(bag.working_pressure for bag in stack.bag)
        ]
        yield _of(
            facts, times, f"Pressure in the bags of {stack.name}", bags, "pressure",
            lambda value, _: show.pressure(value, units), levels,
        )  # fmt: skip
    yield _drawn(
        facts, times, "What the stacks carry", "force", "force", lambda value, bound: show.force(value, units, bound)
    )
    if len(facts.rig.stack) > 1:
        yield _drawn(facts, times, "Shares of what all stacks carry", "share", "share", lambda value, _: share(value))
    yield _drawn(
        facts, times, "Lean, as a share of the ring that the head must stay in", "lean", "share",
        lambda value, bound: share(value) if value < 1.0 else f"{value:.0%}".replace("%", " %"), [Level(1.0, "the ring")],
    )  # fmt: skip
    if facts.rig.shore:
        gaps = [
            Level(allowed, f"{show.length(allowed, units)} allowed")
            for allowed in dict.fromkeys(shore.gap_allowed for shore in facts.rig.shore)
        ]
        yield _drawn(facts, times, "Gap between load and shores", "gap", "length", length, gaps)
    free = {"risen": facts.series.get(("uncaptured", ""), Series())}
    every = [Level(limits.capture_every, f"{show.length(limits.capture_every, units)}, then capture")]
    yield _of(facts, times, "Rise since the load was last captured", free, "length", plain, every)
    fall = {"fall": facts.series.get(("fall", ""), Series())}
    yield _of(facts, times, "How far it would fall if the bags failed", fall, "length", plain, [])


def _drawn(
    facts: Facts, times: Times, title: str, what: str, quantity: str, said: Said, levels: list[Level] | None = None,
    more: str = "",
) -> Drawn:  # fmt: skip
    return _of(facts, times, title, facts.of(what), quantity, said, levels or [], more)


def _of(
    facts: Facts, times: Times, title: str, series: dict[str, Series], quantity: str, said: Said, levels: list[Level],
    more: str = "",
) -> Drawn:  # fmt: skip
    """One chart of some series by name; of more than can be told apart, the first."""
    curves = [Curve(name, it) for name, it in series.items()]
    rest = [it.name for it in curves[LOOKS:]]
    curves = curves[:LOOKS]
    told = "; ".join(_told(it, said, facts.end_ns) for it in curves)
    far = [it.name for it in levels if it.name and not near(it, [c for c in curves if c.series.known])]
    svg = chart(title, told, curves, scale(quantity, facts.rig.rig.units), times, levels)
    notes = [f"Greatest: {told}." if told else "Never known."]
    if svg and far:
        notes.append(f"Too far off to be drawn: {listed(far)}.")
    if rest:
        notes.append(f"Not drawn: {listed(rest)}.")
    if svg and more:
        notes.append(more)
    return Drawn(title, svg, " ".join(notes))


def _told(curve: Curve, said: Said, end_ns: int) -> str:
    """The greatest, the least where it is below 0, and the end of a line, in words."""
    it = curve.series
    if it.top is None or it.bottom is None:
        return f"{curve.name} never known"
    when, value, bound = it.top
    most, least = said(value, bound), said(it.bottom[1], it.bottom[2])
    words = f"{curve.name} {most} ({clock(when, end_ns)})"
    if it.bottom[1] < 0.0 and -it.bottom[1] > 0.05 * abs(value) and least != most:
        words += f", least {least} ({clock(it.bottom[0], end_ns)})"
    return f"{words}, {show.UNKNOWN if it.last is None else said(it.last, it.last_off)} at the end"


def _length(value: float, bound: float | None, units: str) -> str:
    if not bound:
        return show.length(value, units, bound)
    return off(show.length(value, units, bound), show.bound(bound, units))


def _stops(facts: Facts) -> list[Level]:
    """Where each step that was begun was to stop, while it was worked."""
    found = []
    begun = sorted((at, it.number) for it in facts.steps for at in it.begun)
    for i, (at_ns, number) in enumerate(begun):
        it = facts.steps[number - 1]
        until = begun[i + 1][0] if i + 1 < len(begun) else facts.end_ns
        if it.step.until is not None and it.step.until.rise is not None:
            found.append(Level(it.step.until.rise, "", at_ns, until))
    return found
