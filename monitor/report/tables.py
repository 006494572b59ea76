"""The tables of a report: the plan against what was done, the balance of the load, the channels, the figures, all that happened."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from html import escape

from monitor import quantities as show
from monitor.debrief.figures import Figure
from monitor.debrief.marks import Kind
from monitor.report.facts import Facts
from monitor.report.health import Health
from monitor.report.steps import Done
from monitor.report.words import clock, count, off, share, span
from monitor.rig.parts import centre_of_gravity, total_weight
from monitor.rig.plan import plan
from monitor.rig.sheet import step_words
from monitor.rig.statics import tip

MOST_EVENTS = 400
"""Rows of all that happened that are printed at most; beyond it the first and the last, and how many are not."""


def table(heads: Sequence[str], rows: Iterable[Sequence[str]], name: str, look: str = "") -> str:
    """A table of texts; the first of each row is its head. "" of a cell stays empty."""
    head = "".join(f'<th scope="col">{escape(it)}</th>' for it in heads)
    body = "".join(
        f'<tr><th scope="row">{escape(row[0])}</th>{"".join(f"<td>{escape(cell)}</td>" for cell in row[1:])}</tr>'
        for row in rows
    )
    return f'<table class="rows {look}" aria-label="{escape(name)}"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>'


def steps(facts: Facts) -> str:
    """Each step of the rig's plan, and what became of it."""
    expected = {stop.step: dict(stop.pressures) for stop in plan(facts.rig).stops} if facts.rig.step else {}
    rows = [
        (
            f"{it.number}",
            step_words(it.step, facts.rig),
            clock(it.begun[-1], facts.end_ns) if it.begun else show.UNKNOWN,
            clock(it.ended_ns, facts.end_ns),
            span(it.took_s),
            _became(it),
            "; ".join(differs(it, facts, expected.get(it.number, {}))),
        )
        for it in facts.steps
    ]
    return table(
        ("step", "planned", "begun", "ended", "took", "as planned", "what differed"),
        rows,
        "The plan and what was done",
        "times",
    )


def _became(it: Done) -> str:
    if not it.begun:
        return "not begun"
    if it.ended_ns is None:
        return "left" if it.left else "not ended"
    return {True: "yes", False: "NO", None: show.UNKNOWN}[it.ok]


def differs(it: Done, facts: Facts, expected: dict[str, float | None]) -> Iterator[str]:
    """What of a step was otherwise than planned, in words; where it came to, for one that has a stop."""
    units = facts.rig.rig.units
    if not it.begun:
        return
    until = it.step.until
    if until is not None and until.rise is not None:
        if it.rise_m is None:
            yield "the rise was not known when it was left"
        else:
            apart = it.rise_m - until.rise
            reached = off(show.length(it.rise_m, units, it.bound_m), show.bound(it.bound_m, units))
            sure = it.bound_m is not None and abs(apart) <= it.bound_m
            where = (
                "its stop, as far as can be told"
                if sure
                else (f"{show.length(abs(apart), units)} {'above' if apart > 0.0 else 'below'} its stop")
            )
            yield f"{_left(it)} {reached}: {where}"
    if until is not None and until.pressure is not None and it.step.bag is not None:
        yield f"{_left(it)} {show.pressure(it.pressures_pa.get(it.step.bag), units)} in {it.step.bag}"
    most = "at most " if len(facts.rig.stack) > 1 else ""
    found = [
        f"{bag} {show.pressure(it.pressures_pa.get(bag), units)} (planned {most}{show.pressure(pa, units)})"
        for bag, pa in expected.items()
        if pa is not None
    ]
    if found and it.step.do == "fill":
        yield f"pressures {', '.join(found)}"
    if it.step.for_ is not None and it.took_s is not None:
        yield f"lasted {span(it.took_s)} of {span(it.step.for_)}"
    if len(it.begun) > 1:
        yield f"begun {len(it.begun)} times"
    rose = facts.figures.value("step.alarms", str(it.number))
    if rose:
        yield f"{count(int(rose), 'alarm')} rose in it"


def _left(it: Done) -> str:
    return "left at" if it.ended_ns is not None or it.left else "stands, not ended, at"


def balance(facts: Facts) -> str:
    """What the file plans of the load, beside what the bags' forces said of it, with their errors."""
    rig, found, units = facts.rig, facts.balance, facts.rig.rig.units
    planned = centre_of_gravity(rig.load)
    tip_planned, tip_why_not = tip(rig)
    weight = total_weight(rig.load)

    def place(value: float | None) -> str:
        return show.length(value, units)

    measured = ("", "", "", "")
    if found is not None:
        measured = (
            show.force(found.weight_n, units, _twice(found.weight_sd_n)),
            ", ".join(map(place, found.cg_m)) if found.cg_m is not None else show.UNKNOWN,
            show.angle(found.tip_rad, _twice(found.tip_sd_rad)),
            show.angle(found.tip_least_rad),
        )
    rows = [
        ("weight", show.force(weight, units), measured[0] or show.UNKNOWN),
        (
            "centre of gravity (x, y, z)",
            ", ".join(map(place, planned)) if planned is not None else show.UNKNOWN,
            measured[1] or show.UNKNOWN,
        ),
        (
            "goes over centre at",
            show.angle(tip_planned) if tip_planned is not None else f"{show.UNKNOWN} ({tip_why_not})",
            measured[2] or show.UNKNOWN,
        ),
        ("the least that angle may be, errors counted", "", measured[3] or show.UNKNOWN),
    ]
    return table(
        ("of the load", "planned, by the rig file", "measured, by the bags' forces"), rows, "The balance of the load"
    )


def _twice(sd: float | None) -> float | None:
    """Two standard deviations: nineteen times in twenty it is off by no more."""
    return None if sd is None else 2.0 * sd


def sensors(facts: Facts) -> str:
    """Every channel: how well it spoke."""
    rows = [_sensor(it, facts) for it in facts.health]
    heads = ("channel", "of", "readings", "a second", "longest silence", "not ok", "faults", "last fault", "at the end")
    return table(heads, rows, "The channels", "numbers")


def _sensor(it: Health, facts: Facts) -> tuple[str, ...]:
    said = f": {it.says}" if it.says else ""
    last = show.UNKNOWN if it.fault_ns is None else f"{it.fault}{said}, until {clock(it.fault_ns, facts.end_ns)}"
    return (
        it.name,
        f"{it.quantity}, {it.port}",
        str(it.readings),
        show.UNKNOWN if it.rate_hz is None else f"{it.rate_hz:.1f}",
        span(it.silence_ns * 1e-9) if it.readings > 1 else show.UNKNOWN,
        share(it.not_ok_share),
        str(it.faults),
        "none" if it.fault_ns is None and it.faults == 0 and it.status == "ok" else last,
        it.status,
    )


def figures(facts: Facts) -> str:
    """The figures of the whole session, which score sheets and comparisons read as well."""
    units = facts.rig.rig.units
    rows = [(it.kind.means, _figure(it, units), it.name) for it in facts.figures if not it.about]
    return table(("measured", "value", "figure"), rows, "Measured figures", "small")


def _figure(it: Figure, units: str) -> str:
    value = it.shown(units)
    if it.value is None:
        return f"{value} ({it.because})" if it.because else value
    return value if it.known >= 0.995 else f"{value} (known {share(it.known)} of the time)"


def events(facts: Facts) -> str:
    """All that happened, in order of time, notes afterwards among it."""
    found = [(it.time_ns, it.kind.value if it.kind is not Kind.ALARM else it.word, it.text) for it in facts.marks]
    found += [(it.time_ns, "note after", f"{it.text} ({it.who})") for it in facts.notes.kept]
    found.sort(key=lambda it: it[0])
    rows = [(clock(at, facts.end_ns), kind, text) for at, kind, text in found]
    out = len(rows) - MOST_EVENTS
    if out > 0:
        half = MOST_EVENTS // 2
        rows = [
            *rows[:half],
            ("", "", f"{count(out, 'event')} left out here: inchwatch replay shows all"),
            *rows[-half:],
        ]
    return table(("time", "kind", "what"), rows, "All that happened", "small")
