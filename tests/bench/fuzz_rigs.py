"""What is said of rig files that nobody meant? Ten thousand, changed from those that come with the drills, and random TOML.

python tests/bench/fuzz_rigs.py [N] [--seed S] [--first K]

Each text is checked as `inchwatch check` does: it has faults, each with a line of the file, what was found and what is allowed,
on one line each; or it is a rig, and its lift plan sheet and page are made. A traceback, an empty or broken sentence, a place
outside the file and a check that takes ten seconds of a processor are faults of ours. --first goes on from text K of the same seed.
"""

from __future__ import annotations

import argparse
import random
import re
import sys
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from importlib.resources import files

from monitor.rig.check import planned
from monitor.rig.load import RigFaults, parse_rig
from monitor.rig.page import page
from monitor.rig.schema import Rig
from monitor.rig.sheet import sheet

FULL = 10_000
_LONGEST_S = 10.0

LINES_RIG = """
[[port]]
name = "node"
driver = "lines"
url = "/dev/ttyUSB3"
baud = 115200
pattern = 'T=(?P<value_T1>[-.0-9]+);P=(?P<value_P1>[-.0-9]+) (?P<unit_P1>[a-z]+)'
[[channel]]
name = "node-p"
quantity = "pressure"
source = { port = "node", id = "P1", unit = "bar" }
"""
RIGS = [
    it.read_text(encoding="utf-8") + (LINES_RIG if it.name == "yard-panel.toml" else "")
    for it in sorted(files("monitor.drill").joinpath("rigs").iterdir(), key=lambda it: it.name)
    if it.name.endswith(".toml")
]
_VALUE = re.compile(
    r'(?<=[=, ])(?:"[^"\n]*"|\'[^\'\n]*\'|\[[^\[\]\n]*\]|\{[^{}\n]*\}|-?\b\d[\d.]*\b|\btrue\b|\bfalse\b)'
)
_QUANTITY = re.compile(r'"(-?\d+\.?\d*(?:e[-+]?\d+)?) ([a-zA-Z%^0-9/]+)"')
_KEY = re.compile(r"^\[*([a-z_.]+)|([a-z_]+) =", re.MULTILINE)
_INNER = re.compile(r"tuple|dictionary|instance|Input|<class|pydantic")
"""Words of the schema's library, which no crew should read."""
VALUES = [
    '""', '"S1"', '"S9"', '"bench"', '"nmea"', '"mqtt"', '"lines"', '"0 m"', '"-1 m"', '"1e300 m"', '"1e-300 m"', '"1e308 kN"',
    '"0 bar"', '"8 bar 3"', '"5 ton"', '"4 ft 6 in"', '"90 deg"', '"-90 deg"', '"0 deg"', '"1e9 deg"', '"0 s"', '"100 %"',
    '"-100 %"', '"١ m"', "0", "-1", "1e308", "1e-308", "nan", "inf", "-inf", "9" * 30, "true", "[]", "{}", "[[]]", "[1, 2]",
    '["0 m", "0 m"]', '[["0 m", "0 m"], ["0 m", "0 m"]]', "1979-05-27", "07:32:00", "'''\n'''", '"\\u0000"', '"\\u001b[2J"',
    '"' + "x" * 300 + '"', "'(\\w+)*(?P<value>\\d)'", "'(?P<value>'", "'[[a]'",
]  # fmt: skip
WORDS = [
    "[", "]", "[[", "]]", "{", "}", "=", '"', "'", '"""', "\n", "#", ",", ".", "\\", "\x00", "\ufeff", "\u2028", "é", "name",
    "[[port]]",
]  # fmt: skip


def changed(text: str, rng: random.Random) -> str:
    """One change: a value or a key for another, a row or a table lost or doubled, a sign in or out."""
    rows = text.split("\n")
    at = rng.randrange(len(rows))
    tables = [i for i, row in enumerate(rows) if row.startswith("[")] + [len(rows)]
    kind = rng.randrange(10)
    if kind < 4 and (values := list(_VALUE.finditer(text))):
        spot, other = rng.choice(values), rng.choice(values)
        new = rng.choice(VALUES) if rng.random() < 0.6 else other[0]
        return text[: spot.start()] + new + text[spot.end() :]
    if kind == 4 and (keys := list(_KEY.finditer(text))):
        spot, other = rng.choice(keys), rng.choice(keys)
        return text[: spot.start()] + spot[0].replace(spot[1] or spot[2], other[1] or other[2]) + text[spot.end() :]
    if kind == 5:
        return "\n".join(rows[:at] + rows[at + 1 :])
    if kind == 6:
        return "\n".join([*rows[:at], rows[rng.randrange(len(rows))], *rows[at:]])
    if kind in (7, 8) and len(tables) > 1:
        i = rng.randrange(len(tables) - 1)
        table = rows[tables[i] : tables[i + 1]]
        rest = rows[: tables[i]] + rows[tables[i + 1] :]
        return "\n".join(rest if kind == 7 else rest + table + table)
    spot = rng.randrange(len(text) + 1)
    return text[:spot] + rng.choice([*WORDS, ""]) + text[spot + rng.randrange(3) :]


def scaled(text: str, rng: random.Random) -> str:
    """One quantity made smaller or larger, or turned about."""
    spot = rng.choice(list(_QUANTITY.finditer(text)))
    factor = rng.choice((0.0, -1.0, 1e-9, 1e-3, 0.1, 0.5, 0.9, 1.1, 2.0, 10.0, 1e3, 1e9))
    return f'{text[: spot.start()]}"{float(spot[1]) * factor!r} {spot[2]}"{text[spot.end() :]}'


TABLES = [*sorted(Rig.model_fields), "stack.bag", "load.part", "x"]
KEYS = [
    *sorted({group for rig in RIGS for found in _KEY.finditer(rig) for group in found.groups() if group}),
    "pattern",
    "x",
]


def random_toml(rng: random.Random) -> str:
    """Tables and keys of rig files in any order, with any values; now and then no TOML at all."""
    rows: list[str] = []
    for _ in range(rng.randrange(1, 30)):
        name = rng.choice(TABLES)
        rows.append(
            rng.choice([f"[{name}]", f"[[{name}]]", f"{rng.choice(KEYS)} = {rng.choice(VALUES)}", rng.choice(WORDS)])
        )
        rows += [f"{rng.choice(KEYS)} = {rng.choice(VALUES)}" for _ in range(rng.randrange(3))]
    return "\n".join(rows)


def text_of(number: int, seed: int) -> str:
    """The text of a number: one in ten is random TOML, the others are a drill's rig, changed from once to eight times; of four in
    ten only quantities are, so that many are still rigs."""
    rng = random.Random(f"{seed} rig {number}")
    kind = rng.random()
    if kind < 0.1:
        return random_toml(rng)
    text = rng.choice(RIGS)
    for _ in range(rng.choice((1, 1, 1, 2, 3, 5, 8))):
        text = scaled(text, rng) if kind < 0.5 else changed(text, rng)
    return text


@dataclass
class Outcome:
    """What came of it."""

    counts: Counter[str] = field(default_factory=Counter)
    slowest_s: float = 0.0
    wrong: list[tuple[int, str]] = field(default_factory=list)
    """(the text's number, what is wrong with what was said)."""


def judged(text: str) -> str:
    """ "rig" or "faults". Raises AssertionError where what is said is no clear fault, and whatever the program lets through."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            rig = parse_rig(text)
        except RigFaults as error:
            assert error.faults, "refused without a fault"
            lines = text.count("\n") + 1
            for fault in error.faults:
                assert 1 <= fault.line <= lines, f"line {fault.line} of {lines}"
                assert fault.found.strip(), f"nothing found: {fault}"
                assert fault.allowed.strip(), f"nothing allowed: {fault}"
                said = f"{fault.path} {fault.found} {fault.allowed}"
                assert said.isprintable(), f"cannot be printed on one line: {fault}"
                assert not _INNER.search(fault.allowed), f"not a crew's words: {fault}"
            return "faults"
        whole = planned(rig)
        assert sheet(*whole).strip()
        assert page(*whole).strip()
    return "rig"


def run(count: int, seed: int, first: int = 0, tell: Callable[[int, str], None] = lambda number, what: None) -> Outcome:
    """Check so many texts."""
    outcome = Outcome()
    for number in range(first, first + count):
        text = text_of(number, seed)
        begun = time.process_time()
        try:
            outcome.counts[judged(text)] += 1
        except Exception as error:  # noqa: BLE001 - this is what is looked for
            where = traceback.extract_tb(error.__traceback__)[-1]
            what = f"{type(error).__name__}: {str(error)[:300]} ({where.filename.rpartition('/')[2]}:{where.lineno})"
            outcome.wrong.append((number, what))
            tell(number, what)
        took = time.process_time() - begun
        outcome.slowest_s = max(outcome.slowest_s, took)
        if took > _LONGEST_S:
            outcome.wrong.append((number, f"took {took:.1f} s"))
            tell(number, f"took {took:.1f} s")
    return outcome


def main() -> int:
    """Check rig files."""
    call = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    call.add_argument("count", nargs="?", type=int, default=FULL, help=f"how many (default: {FULL})")
    call.add_argument("--seed", type=int, default=1, help="of what is drawn (default: 1)")
    call.add_argument("--first", type=int, default=0, help="the number of the first text (default: 0)")
    asked = call.parse_args()
    begun = time.monotonic()
    outcome = run(asked.count, asked.seed, asked.first, lambda number, what: print(f"  {number}: {what}", flush=True))
    print(
        f"rig files: {asked.count:,}, seed {asked.seed}, {time.monotonic() - begun:.0f} s:"
        f" {outcome.counts['faults']:,} with clear faults, {outcome.counts['rig']:,} valid rigs with their sheets,"
        f" {len(outcome.wrong)} wrong; the slowest took {outcome.slowest_s:.1f} s"
    )
    return int(bool(outcome.wrong))


if __name__ == "__main__":
    sys.exit(main())
