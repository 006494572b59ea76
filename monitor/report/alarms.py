"""Each alarm of a report: what was seen, what was done, how long it took. Risings of one alarm stand together."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape

from monitor.engine.guidance import GUIDANCE
from monitor.report.facts import Facts
from monitor.report.risings import Key, Raised, answers
from monitor.report.words import clock, count, evidence, listed, span

_MOST = 10
"""Things done about one rising that are told, and risings of one alarm."""


def alarms(facts: Facts) -> str:
    """All of them, the gravest first, in the order in which they rose."""
    together: dict[Key, list[Raised]] = {}
    for it in facts.raised:
        together.setdefault((it.rule, it.about, it.priority), []).append(it)
    if not together:
        return "<p>No alarm rose.</p>"
    ordered = sorted(together.values(), key=lambda its: -its[0].priority)
    return "".join(_article(its, facts) for its in ordered)


def _article(its: list[Raised], facts: Facts) -> str:
    first = its[0]
    word = first.priority.word
    often = f", {count(len(its), 'time')}" if len(its) > 1 else ""
    what = f"{escape(first.rule)} {escape(first.about)}{often}"
    parts = [
        f'<article class="alarm {word}"><h3><span class="word">{escape(word)}</span> {what}</h3>',
        f'<p class="meaning">{escape(GUIDANCE.get(first.rule, ""))}</p>',
    ]
    parts += [_rising(it, facts) for it in its[:_MOST]]
    if len(its) > _MOST:
        rest = its[_MOST:]
        stood = [it.stood_s for it in rest if it.stood_s is not None]
        parts.append(
            f"<p>It rose {count(len(rest), 'more time')} until {clock(rest[-1].raised_ns, facts.end_ns)},"
            f" and stood {span(max(stood, default=None))} at the longest of those that ended.</p>"
        )
    return "".join([*parts, "</article>"])


def _rising(it: Raised, facts: Facts) -> str:
    units = facts.rig.rig.units
    seen = [f"<p>{escape(it.text)}</p>"]
    if it.last_text and it.last_text != it.text:
        seen.append(f'<p class="told">Last: {escape(it.last_text)}</p>')
    facts_of_it = "; ".join(evidence(key, value, units) for key, value in it.evidence)
    if facts_of_it:
        seen.append(f'<p class="told">Evidence: {escape(facts_of_it)}.</p>')
    if it.under:
        seen.append(f'<p class="told">It came with {escape(it.under)}, which was shown above it.</p>')
    done = "".join(f"<li>{escape(text)}</li>" for text in _done(it, facts))
    rows = (
        ("rose", escape(clock(it.raised_ns, facts.end_ns))),
        ("seen", "".join(seen)),
        ("done", f"<ul>{done}</ul>"),
        ("took", escape(_took(it, facts))),
    )
    body = "".join(f'<tr><th scope="row">{head}</th><td>{cell}</td></tr>' for head, cell in rows)
    return f"<table>{body}</table>"


def _done(it: Raised, facts: Facts) -> Iterator[str]:
    """What was done about it, each with how long after its rise."""
    found = answers(it, facts.marks, facts.doings, facts.end_ns)
    for at_ns, text in found[:_MOST]:
        yield f"after {span((at_ns - it.raised_ns) * 1e-9)}: {text}"
    if len(found) > _MOST:
        yield f"and {len(found) - _MOST} more, listed under all that happened, or what bags and shores did"
    if not found:
        yield "nothing that a key or a bag tells of" + (
            ", until its cause was gone" if it.cleared_ns is not None else ""
        )


def _took(it: Raised, facts: Facts) -> str:
    """How long until it was acknowledged and by whom, until its cause was gone, and what else became of it."""
    said = []
    if it.seen:
        at_ns, by = it.seen[0]
        who = f" by {by}" if by else ""
        said.append(f"acknowledged{who} after {span((at_ns - it.raised_ns) * 1e-9)}")
        if len(it.seen) > 1:
            said.append(f"asked again and acknowledged {count(len(it.seen) - 1, 'more time')}")
    else:
        said.append("never acknowledged")
    said += [f"{what.replace('-', ' ')} after {span((at - it.raised_ns) * 1e-9)}" for at, what in it.set_aside]
    if it.chattering:
        said.append("came and went")
    if it.cleared_ns is None:
        said.append(f"IT STANDS AT THE END, after {span((facts.end_ns - it.raised_ns) * 1e-9)}")
    else:
        said.append(f"its cause was gone after {span(it.stood_s)}")
    return listed(said)
