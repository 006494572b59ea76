"""The fault matrix: its rows stand in faults.toml, the tests that show them carry `@pytest.mark.fault("ID")`, and

    python tests/faults.py > monitor/FAULTS.md

writes the document. Nothing is run for it; `test_faults.py` holds rows, tests and document against each other.
"""

from __future__ import annotations

import ast
import re
import textwrap
import tomllib
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

HERE = Path(__file__).resolve().parent
LOSSES = {
    # What a row may say is lost: a pattern, and what a test must have found of `n` things that the fault befell, of which
    # `gone` were never had and `old` were had, marked, and not shown as live.
    r"nothing": lambda n, gone, old: gone == old == 0,
    r"nothing: it is kept, marked, not computed with": lambda n, gone, old: gone == 0 < old == n,
    r"nothing: what waited is kept, marked old": lambda n, gone, old: gone == 0 < old,
    r"that one (line|message|answer)": lambda n, gone, old: n == gone == 1,
    r"each (line|message|answer) that it befell": lambda n, gone, old: n == gone > 1,
    r"what is said meanwhile": lambda n, gone, old: n == gone > 0,
    r"the lines that run into each other": lambda n, gone, old: n > gone > 0 == old,
    r"what a gap in the recording counts": lambda n, gone, old: n == gone > 0,
}
REFUSED = "nothing: no session begins"
"""Or that a command refuses to begin."""
LAST = re.compile(r"at most the last (\d+(?:\.\d+)?) s")
"""Or a time that is lost at most."""
WHERE = {"alarm": "alarm", "status": "status line", "board": "sensor board", "terminal": "terminal"}
_HEAD = """
# The fault matrix

Made from tests/faults.toml and the tests by `python tests/faults.py`; not to be changed by hand.

What befalls sensors, wires, brokers, disks and clocks in the field; what the screen says then, within what time, and what is
lost. Each row is shown by the tests that it names, over a real end where one can be had: they fail where the screen says other
words, says them later, or loses more. A … stands for what differs: a name, a number, where a line was shortened.

Times count from the fault (from the last good value, where a wire falls silent) to the picture that shows the words, by the
session's own clock. *Lost* is what never comes into the recording. What is kept and marked is in it, and nothing is
computed from it. In no row a value stands on the screen that nobody sent.

An alarm on a sensor is a caution where others vouch for what it measures, and a warning where a danger is blind without it; the
line then says which.

**Caution.** What no sensor sees is in no row. Where a line says that something is not watched, watch it.
"""


@dataclass(frozen=True, slots=True)
class Row:
    """One fault. `says` is what stands `where`; of an alarm also the name of its rule. What a command says has no time."""

    id: str
    medium: str
    fault: str
    where: str
    says: str
    lost: str
    within_s: float | None = None
    alarm: str = ""

    def said_in(self, text: str) -> bool:
        """Whether one line of a text holds the words; an ellipsis in them stands for anything."""
        words = ".*".join(map(re.escape, self.says.split("…")))
        return any(re.search(words, line) for line in text.splitlines())


@cache
def rows() -> tuple[Row, ...]:
    """Every row, in the order of the document."""
    media = tomllib.loads((HERE / "faults.toml").read_text(encoding="utf-8"))
    found = tuple(Row(medium=medium, **row) for medium, tables in media.items() for row in tables)
    for row in found:
        assert row.where in WHERE, row
        assert bool(row.alarm) is (row.where == "alarm"), row
        assert (row.within_s is None) is (row.where == "terminal"), row
        assert (
            row.lost == REFUSED
            or LAST.fullmatch(row.lost)
            or sum(bool(re.fullmatch(it, row.lost)) for it in LOSSES) == 1
        ), row
    return found


def marked() -> dict[str, list[str]]:
    """The tests that show each row, as FILE::NAME, read from their source."""
    found: dict[str, list[str]] = defaultdict(list)
    for path in sorted(HERE.rglob("test_*.py")):
        source = path.read_text(encoding="utf-8")
        if "mark.fault(" in source:
            for row, name in _marks(ast.parse(source)):
                test = f"{path.relative_to(HERE.parent).as_posix()}::{name}"
                if test not in found[row]:
                    found[row].append(test)
    return found


def _marks(tree: ast.Module) -> Iterator[tuple[str, str]]:
    for test in ast.walk(tree):
        if isinstance(test, ast.FunctionDef):
            for decorator in test.decorator_list:
                for it in ast.walk(decorator):
                    if isinstance(it, ast.Call) and ast.unparse(it.func) == "pytest.mark.fault":
                        (named,) = it.args
                        assert isinstance(named, ast.Constant), f"{test.name}: a row is named by its id"
                        yield str(named.value), test.name


def text() -> str:
    """The document in Markdown."""
    tests, media = marked(), dict.fromkeys(row.medium for row in rows())
    lines: list[str] = []
    for paragraph in _HEAD.strip().split("\n\n"):
        words = " ".join(paragraph.split())
        lines += [*(textwrap.wrap(words, 110, break_on_hyphens=False) if not words.startswith("#") else [words]), ""]
    for medium in media:
        lines += [
            f"## {medium}",
            "",
            "| fault | what the screen says | within | lost | shown by |",
            "|---|---|---|---|---|",
        ]
        for row in (it for it in rows() if it.medium == medium):
            alarm = f"[{row.alarm}](ALARMS.md#{row.alarm})" if row.alarm else WHERE[row.where]
            says = f"{alarm}: `{row.says}`"
            shown = "<br>".join(f"`{test.removeprefix('tests/')}`" for test in tests.get(row.id, ()))
            within = "when it is called" if row.within_s is None else f"{row.within_s:g} s"
            lines.append(f"| {row.fault} | {says} | {within} | {row.lost} | {shown} |".replace("\n", " "))
        lines.append("")
    return "\n".join(lines).rstrip() + "\n"


if __name__ == "__main__":
    print(text(), end="")
