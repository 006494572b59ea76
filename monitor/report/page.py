"""The report as one page: a file that needs no other, to read, to hand out and to print."""

from __future__ import annotations

from html import escape
from importlib.metadata import version

from monitor import quantities as show
from monitor.debrief.marks import Kind
from monitor.engine.picture import Priority
from monitor.report import leans, tables
from monitor.report.alarms import alarms
from monitor.report.axes import Times
from monitor.report.course import Drawn, course
from monitor.report.facts import Facts
from monitor.report.paragraph import paragraph, trust
from monitor.report.style import STYLE
from monitor.report.timeline import SIGNS, timeline
from monitor.report.words import clock, count, day, listed, moment, off, share, span
from monitor.rig.drawing import missing
from monitor.rig.sheet import CAUTIONS

_POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
"""What a browser lets this page do: nothing. It has no script and loads nothing."""


def page(facts: Facts, score: str = "", paper: str = "") -> str:
    """The whole page as HTML. `score`: HTML of a score sheet's section, put before the figures; `paper`: "A4" or "letter" for
    what is printed, "" to leave it to whoever prints."""
    name = escape(facts.rig.rig.name)
    size = f"@page {{ size: {paper} }}" if paper else ""
    sections = [*_sections(facts, score)]
    ways = "".join(f'<li><a href="#{key}">{escape(head)}</a></li>' for key, head, _ in sections)
    body = "".join(
        f'<section id="{key}" aria-labelledby="{key}-h"><h2 id="{key}-h">{escape(head)}</h2>{inside}</section>'
        for key, head, inside in sections
    )
    return "\n".join(
        [
            "<!DOCTYPE html>",
            '<html lang="en"><head><meta charset="utf-8">',
            f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f'<meta name="generator" content="inchwatch {escape(version("inchwatch"))}">',
            f"<title>Lift report: {name}</title><style>{STYLE}{size}</style></head><body>",
            f"<header><h1>Lift report: {name}</h1><p>{escape(_under_title(facts))}</p></header>",
            f'<p class="caution">{escape(" ".join(CAUTIONS).replace("This sheet", "This report"))}</p>',
            _doubts(facts),
            f'<p class="lead">{escape(paragraph(facts))}</p>',
            _glance(facts),
            f'<nav aria-label="Contents"><ol>{ways}</ol></nav>',
            f"<main>{body}</main>",
            "</body></html>",
            "",
        ]
    )


def _under_title(facts: Facts) -> str:
    return f"{facts.rig.load.name}, {day(facts.started)}, {span(facts.end_ns * 1e-9)}. Times count from there."


def _doubts(facts: Facts) -> str:
    """Why the recording may not tell all, before anything that it tells; nothing where there is no reason."""
    said = [it for it in trust(facts) if it.split(":")[0].isupper()]
    return "".join(f'<p class="doubt">{escape(it)}</p>' for it in said)


def _glance(facts: Facts) -> str:
    """The few numbers that are asked for first."""
    units = facts.rig.rig.units
    rise = show.UNKNOWN
    if facts.highest is not None:
        load = facts.highest[1]
        rise = off(show.length(load.rise_m, units, load.bound_m), show.bound(load.bound_m, units))

    def top(what: str, of: str = "") -> float | None:
        ends = [
            it.top[1] for (kind, about), it in facts.series.items() if kind == what and it.top and about.startswith(of)
        ]
        return max(ends, default=None)

    graver = [it for it in facts.befell if it.priority >= Priority.WARNING]
    longest = max((it.seen_s for it in graver if it.seen_s is not None), default=None)
    tiles = (
        ("greatest rise", rise),
        ("greatest tilt", show.angle(top("tilt whole"))),
        ("greatest lean, of the ring", share(top("lean"))),
        ("greatest gap at a shore", show.length(top("gap"), units)),
        ("greatest fall until lowered, had the bags failed", show.length(facts.figures.value("fall.raising_m"), units)),
        ("dangers", str(sum(it.priority is Priority.DANGER for it in facts.befell))),
        ("warnings", str(sum(it.priority is Priority.WARNING for it in facts.befell))),
        ("longest until a danger or warning was acknowledged", span(longest)),
    )
    return (
        f'<dl class="glance">{"".join(f"<div><dt>{escape(k)}</dt><dd>{escape(v)}</dd></div>" for k, v in tiles)}</dl>'
    )


def _sections(facts: Facts, score: str) -> list[tuple[str, str, str]]:
    """(key, head, what stands in it) of every section."""
    times = Times(
        facts.end_ns,
        tuple(sorted((at, str(it.number)) for it in facts.steps for at in it.begun)),
        tuple(
            (it.raised_ns, facts.end_ns if it.cleared_ns is None else it.cleared_ns, it.priority) for it in facts.raised
        ),
    )
    found = [
        ("timeline", "The lift in time", _timeline(facts, times)),
        ("plan", "Plan and what was done", _plan(facts)),
        ("course", "How it went", _course(facts, times)),
        ("lean", "How the stacks leaned", _lean(facts)),
        ("alarms", "Alarms: what was seen, what was done, how long it took", alarms(facts)),
        ("balance", "The load, by its balance", _balance(facts)),
        ("sensors", "How well the sensors spoke", _sensors(facts)),
        ("notes", "What was noted", _notes(facts)),
        ("score", "Score sheet", score),
        ("figures", "Measured figures", tables.figures(facts)),
        ("events", "All that happened", tables.events(facts)),
        ("about", "About this report", _about(facts)),
    ]
    return [it for it in found if it[2]]


def _timeline(facts: Facts, times: Times) -> str:
    return (
        f'<figure class="whole">{timeline(facts, times)}<figcaption>Steps by their numbers; a step that ended before its stop'
        " has a broken edge. Alarms as long as their cause stood; a bar with a line at its end stands at the end of the recording."
        f" People: {SIGNS}.</figcaption></figure>"
    )


def _plan(facts: Facts) -> str:
    if not facts.steps:
        return "<p>The rig file holds no plan.</p>"
    given_up = "<p>The plan was given up.</p>" if facts.last is not None and facts.last.abandoned else ""
    items = facts.last.checklist if facts.last is not None else ()
    opened = [it.item for it in items if not it.ticked]
    listed_ = ""
    if items:
        words = f"{len(items) - len(opened)} of {len(items)} items of the checklist were ticked"
        listed_ = f"<p>{escape(words)}{escape('. Open: ' + '; '.join(opened)) if opened else ''}.</p>"
    return f"{tables.steps(facts)}{given_up}{listed_}"


def _course(facts: Facts, times: Times) -> str:
    legend = (
        '<p class="told">Broken lines upright: where a step was begun, by its number. Fields: while a danger (D) or a warning (W)'
        " stood. A band around a line: how far the value may be off, nineteen times in twenty or better. Grey at the foot:"
        " a value was not known.</p>"
    )
    return legend + "".join(_figure(it) for it in course(facts, times))


def _figure(it: Drawn) -> str:
    return f"<figure><h3>{escape(it.title)}</h3>{it.svg}<figcaption>{escape(it.caption)}</figcaption></figure>"


def _lean(facts: Facts) -> str:
    units = facts.rig.rig.units
    plan = leans.on_the_plan(facts.rig, facts.trails)
    words = (
        "The load from above, to scale: in each ring the way of the stack's head, and where it stood out farthest. "
        + "; ".join(missing(facts.rig))
    )
    parts = [f'<figure class="whole">{plan}<figcaption>{escape(words)}</figcaption></figure>']
    for stack in facts.rig.stack:
        trail = facts.trails.get(stack.name)
        if trail is None or trail.worst is None:
            parts.append(f"<p>How {escape(stack.name)} leaned was never known.</p>")
            continue
        at_ns, it = trail.worst
        bound = "" if it.lean_bound_m is None else f" {show.bound(it.lean_bound_m, units)}"
        words = (
            f"{stack.name} leaned most at {clock(at_ns, facts.end_ns)}: {show.length(it.lean_m, units)}{bound} of its"
            f" {show.length(it.ring_m, units)} ring ({share(it.lean_use)})."
        )
        parts.append(
            f'<figure><div class="pair">{leans.from_above(facts.rig, stack, trail)}'
            f"{leans.from_the_side(facts.rig, stack, trail)}</div><figcaption>{escape(words)} Left from above, with the way of"
            " the head and half of the ring; right from the side at that moment, across the way it leaned.</figcaption></figure>"
        )
    return "".join(parts)


def _balance(facts: Facts) -> str:
    if facts.balance is None:
        return tables.balance(facts) + "<p>The bags' forces never said enough of the load's balance.</p>"
    when = clock(facts.balance_ns, facts.end_ns)
    return (
        f'{tables.balance(facts)}<p class="told">As last known, at {when}. Bounds are two standard deviations: nineteen times in'
        " twenty the value is off by no more.</p>"
    )


def _sensors(facts: Facts) -> str:
    since = "since the zero" if facts.zero_ns is not None else "since the beginning, as no zero was taken"
    blind = ""
    if facts.blind:
        most = sorted(facts.blind.items(), key=lambda it: -it[1])[:12]
        rows = [(f"{rule} {about}", because, share(seen)) for (rule, about, because), seen in most]
        more = f"<p>And {len(facts.blind) - len(most)} more.</p>" if len(facts.blind) > len(most) else ""
        heads = ("rule", "because", "of the time since the zero")
        blind = f"<h3>What could not be watched</h3>{tables.table(heads, rows, 'Not watched')}{more}"
    return f'{tables.sensors(facts)}<p class="told">Not ok: share of the time {since}.</p>{blind}'


def _notes(facts: Facts) -> str:
    found = [(it.time_ns, it.text, f"{it.who}, {moment(it.written)}") for it in facts.notes.kept]
    written = [it for it in facts.marks if it.kind is Kind.ACTION and it.word == "note"]
    found += [(it.time_ns, it.text.removeprefix("note: "), "during the lift") for it in written]
    found.sort(key=lambda it: it[0])
    faults = "".join(f"<p>{escape(it)}</p>" for it in facts.notes.faults)
    if not found:
        return f"<p>Nothing was noted.</p>{faults}"
    rows = [(clock(at, facts.end_ns), text, who) for at, text, who in found]
    return tables.table(("time", "note", "by"), rows, "Notes") + faults


def _about(facts: Facts) -> str:
    recording = facts.recording
    files = listed([it.path.name for it in recording.parts])
    apart = ""
    if facts.apart_m is not None:
        most = show.bound(facts.apart_m, facts.rig.rig.units).removeprefix("± ")
        apart = f" Looked back at, with what came after, the rise was never more than {most} off what was shown live."
    rows = [
        ("recording", f"{files}; {count(facts.readings, 'reading')}, {count(facts.pictures, 'picture')}"),
        ("trust", " ".join(trust(facts)) + apart),
        ("recorded by", recording.header.software),
        ("report by", f"inchwatch {version('inchwatch')}"),
        ("rig", f"{facts.rig.rig.name}{'. ' + facts.rig.rig.notes if facts.rig.rig.notes else ''}"),
        ("units", "US" if facts.rig.rig.units == "us" else "metric"),
        ("unknown", f"{show.UNKNOWN} is not known, which is something else than zero"),
        ("charts", "every line goes through the least and the greatest of each stretch of time: no peak is left out"),
    ]
    body = "".join(f'<tr><th scope="row">{escape(k)}</th><td>{escape(v)}</td></tr>' for k, v in rows)
    return f"<table>{body}</table>"
