"""The alarm manual, made from the rule table: `python -m monitor.manual` prints it, and ALARMS.md beside this file is it."""

from __future__ import annotations

import ast
import inspect
import textwrap
from collections.abc import Callable, Iterator
from itertools import groupby

from monitor.engine.life import LATCHED, TABLE, Event, Table
from monitor.engine.picture import AlarmState
from monitor.engine.rates import CHATTER, CHATTER_NS, FLOOD, FLOOD_NS, SLOWER, SLOWER_S
from monitor.engine.rules import AGAIN_S, RULES, WIDTH, Rule
from monitor.screens.frame import CAUTIONS

_LETTERS = dict(zip(AlarmState, "ABCDEFG", strict=True))

_HEAD = f"""
# The alarm manual

Made from the rule table by `python -m monitor.manual`; not to be changed by hand.

**Caution.** {" ".join(CAUTIONS)}

An alarm that is silent is no promise: a rule that cannot be judged is shown as UNKNOWN, and what no sensor sees no rule sees.
A maker's instructions, local rules and the officer in charge come before this manual.

## How to read it

Danger: act now, stop the lift. Warning: stop at the next hold and put it right. Caution: look. Notice: for the log (signal
words of ANSI Z535 and ISO 3864).

Limits are shares of what a rule measures against: 100 % is the limit itself, and what either is or is not counts as 0 or 200 %.
An alarm sounds above its first limit, held for the whole on-delay, and clears at or below its second, held for the whole
off-delay. It says what, where, how much against what limit and what to do, in one line of at most {WIDTH} columns; a longer one
is shortened in the middle of what is seen. Evidence is kept in SI units, by key, as it was when the alarm rose.

## The life of an alarm

After ANSI/ISA-18.2 and IEC 62682. A line for each event: the letter of the state it leads to, below the state it finds; a dot
changes nothing.
"""
_LATCHED = """A latched alarm has to clear and to be acknowledged, in either order, and then to be reset. The lines that differ:"""
_RULES_OF_LIFE = f"""
What is set aside (E, F, G) is still evaluated, and its coming and going is told. It comes back as normal, and rises at once
where its condition stands; what was suppressed by design and had been acknowledged is still so.

A danger is never shelved and never taken out of service; a broken sensor makes its rule unknown instead. Nor is
`link-lost`: its sensors are silent because it speaks. A shelf ends by itself. What is out of service stays in the list until
it is put back.

A danger that was acknowledged and still stands asks again after {AGAIN_S:g} s.

An unknown condition neither raises nor clears.

An alarm that rises {CHATTER} times in {CHATTER_NS // 10**9} s chatters: until it has kept still as long, its off-delay is
{SLOWER:g} times as long, at least {SLOWER_S:g} s. Its on-delay never changes.

More than {FLOOD} alarms in {FLOOD_NS // (60 * 10**9)} min are a flood, which is told; nothing is held back.

Of the alarms of one group the first to rise is marked until all of them are normal, and the gravest that stands is the root
that others at its place may be shown under.
"""


def text(rules: tuple[Rule, ...] = RULES) -> str:
    """The whole manual in Markdown."""
    by_name: dict[str, list[Rule]] = {}
    for rule in rules:
        by_name.setdefault(rule.name, []).append(rule)
    return "\n".join([*_head(), *(line for rows in by_name.values() for line in _chapter(rows))]).rstrip() + "\n"


def _head() -> Iterator[str]:
    for paragraph in _HEAD.strip().split("\n\n"):
        words = " ".join(paragraph.split())
        yield from [words] if words.startswith("#") else _wrapped(words)
        yield ""
    yield from _life(TABLE)
    yield ""
    yield from _wrapped(_LATCHED)
    yield ""
    yield from _life(LATCHED, TABLE)
    yield ""
    for point in _RULES_OF_LIFE.strip().split("\n\n"):
        yield from _wrapped(" ".join(point.split()), "- ")
    yield ""


def _life(table: Table, other: Table | None = None) -> Iterator[str]:
    """The lines of a table of states that change anything; of two tables, those in which they differ."""
    yield f"| event | {' | '.join(f'{letter} {state.value}' for state, letter in _LETTERS.items())} |"
    yield "|---" * (len(AlarmState) + 1) + "|"
    for event in Event:
        before = other or {}
        if all(table.get((s, event), s) is before.get((s, event), s) for s in AlarmState):
            continue
        to = (
            _LETTERS[table[state, event]] if table.get((state, event), state) is not state else "·"
            for state in AlarmState
        )
        yield f"| {event.value} | {' | '.join(to)} |"


def _chapter(rows: list[Rule]) -> Iterator[str]:
    yield f"## {rows[0].name}"
    yield ""
    for look, same in groupby(rows, key=_watches):
        words = ", ".join(rule.priority.word for rule in same)
        yield from _wrapped(f"{words.capitalize()}: {look}")
        yield ""
    yield "| priority | sounds above | clears at | on | off | asks again | latched | line ends with |"
    yield "|---|---|---|---|---|---|---|---|"
    for rule in rows:
        again = "never" if rule.asks_again_s is None else f"{rule.asks_again_s:g} s"
        if rule.again_past is not None:
            again = f"past {100 * rule.again_past:g} %"
        yield (
            f"| {rule.priority.word} | {100 * rule.set_at:g} % | {100 * rule.clear_at:g} % | {rule.on_s:g} s | {rule.off_s:g} s "
            f"| {again} | {'yes' if rule.latch else 'no'} | {rule.do} |"
        )
    yield ""
    yield from _wrapped(rows[0].guidance)
    yield ""
    roots = "".join(f", root of {rule.root_of}" for rule in rows if rule.root_of)
    kept = ", ".join(f"`{key}`" for key in dict.fromkeys(key for rule in rows for key in evidence_of(rule)))
    yield f"Group: {rows[0].cause}{roots}. Watches: {_places(rows[0])}. Evidence: {kept}."
    yield ""


def _watches(rule: Rule) -> str:
    return " ".join((inspect.getdoc(rule.look) or "").split("\n\n")[0].split())


def _places(rule: Rule) -> str:
    return rule.about.__name__.strip("_").replace("_", " ")


def evidence_of(rule: Rule) -> tuple[str, ...]:
    """The keys of the evidence that a row keeps, read from the source of its condition."""
    return tuple(dict.fromkeys(_keys(inspect.unwrap(rule.look), set())))


def _keys(look: Callable[..., object], seen: set[str]) -> Iterator[str]:
    seen.add(look.__name__)
    tree = ast.parse(textwrap.dedent(inspect.getsource(look)))
    for node in ast.walk(tree):
        if isinstance(node, ast.Dict):
            for key in node.keys:
                yield from _texts(key) if isinstance(key, ast.Constant) else _named(key, tree)
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            called = look.__globals__.get(node.func.id)
            if inspect.isfunction(called) and called.__name__ not in seen:
                yield from _keys(called, seen)


def _named(key: ast.expr | None, tree: ast.AST) -> Iterator[str]:
    """Every text that a key which is a name is set to in the function: "filled" if ... else "vented"."""
    for node in ast.walk(tree):
        if isinstance(key, ast.Name) and isinstance(node, ast.Assign) and key.id in map(ast.unparse, node.targets):
            value = node.value
            for it in (value.body, value.orelse) if isinstance(value, ast.IfExp) else (value,):
                yield from _texts(it)


def _texts(node: ast.expr) -> Iterator[str]:
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value


def _wrapped(words: str, bullet: str = "") -> list[str]:
    return textwrap.wrap(words, 110, initial_indent=bullet, subsequent_indent=" " * len(bullet), break_on_hyphens=False)


if __name__ == "__main__":
    print(text(), end="")
