"""Do the tests see it when the engine is wrong? Small faults are put into a module, one at a time, and its tests run.

python tests/bench/mutate.py [MODULE ...] [--most N] [--seed S] [--tests FILE ...]

MODULE is of monitor/engine (all that OF names unless said). Every fault is one changed comparison, boolean operator, arithmetic
operator, number, truth value or return; words and annotations stay. The work is done in a copy of the tree. Every run is a fork
of this process, which has loaded what no fault changes and nothing of the engine, so that a quick test costs a second. A fault
is killed when a test fails or takes far too much of the processor; those that no test sees are printed with their place. With
--most, so many are drawn by the seed, which is the random tests' as well. A survivor is a missing test or a line that makes no
difference; some make none (a limit met exactly by no number).
"""

import argparse
import ast
import copy
import gc
import os
import random
import resource
import shutil
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import import_module
from importlib.util import cache_from_source
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
ENGINE, TESTS = Path("monitor/engine"), Path("tests/monitor/engine")
MANUAL = "../test_manual.py::test_the_file_is_what_is_generated"
OF = {
    "sequence": (
        "test_sequence_steps.py", "test_sequence_stops.py", "test_sequence_way_down.py", "test_sequence_begun.py",
        "test_sequence.py", "test_sequence_lowering.py", "test_hold.py", "test_rules.py",
    ),
    "alarms": ("test_alarms_units.py", "test_alarms.py", "test_alarms_again.py", "test_rates.py"),
    "rates": ("test_rates.py", "test_alarms.py"),
    "life": ("test_life.py", "test_alarms.py"),
    "causes": ("test_causes.py", "test_once_silent.py"),
    "watch": ("test_watch_units.py",),
    "rules": ("test_rules_units.py", MANUAL),
    "conditions": ("test_conditions_units.py",),
    "turning": ("test_turning_units.py", "test_conditions_units.py"),
    "occasions": ("test_occasions_units.py",),
    "crew": ("test_crew_units.py",),
    "instrument": ("test_instrument_units.py",),
    "descent": ("test_descent_units.py",),
    "lowering": ("test_lowering_units.py", "test_lowering_shores.py"),
    "ahead": ("test_ahead_units.py",),
    "going": ("test_going_units.py",),
    "resting": ("test_resting_units.py",),
}  # fmt: skip
"""Which tests are about a module, the quickest first. What is not here is judged by a test file of its own name."""
SHARED = ("pytest", "pytest_textual_snapshot", "hypothesis", "textual.app", "drivers.reading", "monitor.rig.load")
"""What every run needs, whatever module is broken: nothing that loads the engine."""
PATIENCE, SPARE_S = 3.0, 10
"""A run that takes so many times the sound one's processor time, and so many seconds more, hangs: killed."""

_COMPARED = {
    ast.Lt: (ast.LtE, ast.GtE), ast.LtE: (ast.Lt, ast.Gt), ast.Gt: (ast.GtE, ast.LtE), ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,), ast.NotEq: (ast.Eq,), ast.Is: (ast.IsNot,), ast.IsNot: (ast.Is,), ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}  # fmt: skip
_REACHED = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult, ast.Mod: ast.Add,
    ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Mutant:
    """One fault: where it is, what stood there and what stands there now, and the whole module with it."""

    line: int
    before: str
    after: str
    source: str


def mutants(source: str) -> Iterator[Mutant]:
    """Every fault that can be put into a module."""
    for node in _nodes(ast.parse(source)):
        for changed in _changes(node):
            before = ast.get_source_segment(source, node) or ""
            after = ast.unparse(ast.fix_missing_locations(changed))
            after = f"({after})" if isinstance(node, ast.expr) else after
            yield Mutant(node.lineno, " ".join(before.split()), after, _spliced(source, node, after))


def _nodes(tree: ast.AST) -> Iterator[ast.AST]:
    """Every node that does something: no annotation, and no part of a text."""
    for name, value in ast.iter_fields(tree):
        if name in ("annotation", "returns", "decorator_list") or isinstance(tree, ast.JoinedStr):
            continue
        for node in value if isinstance(value, list) else [value]:
            if isinstance(node, ast.AST):
                yield node
                yield from _nodes(node)


def _changes(node: ast.AST) -> Iterator[ast.AST]:
    if isinstance(node, ast.Compare):
        for k, op in enumerate(node.ops):
            for other in _COMPARED[type(op)]:
                yield _with(node, ops=[*node.ops[:k], other(), *node.ops[k + 1 :]])
    elif isinstance(node, ast.BoolOp):
        yield _with(node, op=ast.Or() if isinstance(node.op, ast.And) else ast.And())
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        yield node.operand
    elif isinstance(node, ast.BinOp | ast.AugAssign) and type(node.op) in _REACHED:
        yield _with(node, op=_REACHED[type(node.op)]())
    elif isinstance(node, ast.Constant):
        yield from (ast.Constant(value) for value in _numbers(node.value))
    elif isinstance(node, ast.Return) and node.value is not None and not isinstance(node.value, ast.Constant):
        yield _with(node, value=ast.Constant(None))


def _numbers(value: object) -> Iterator[object]:
    if isinstance(value, bool):
        yield not value
    elif isinstance(value, int):
        yield value + 1
    elif isinstance(value, float):
        yield 1.0 if value == 0.0 else value * 1.5


def _with(node: ast.AST, **fields: object) -> ast.AST:
    other = copy.copy(node)
    for name, value in fields.items():
        setattr(other, name, value)
    return other


def _spliced(source: str, node: ast.AST, text: str) -> str:
    """The source with a node's own text replaced; every other line keeps its number as far as it can."""
    lines = [line.encode() for line in source.splitlines(keepends=True)]
    first, last = node.lineno - 1, node.end_lineno - 1
    head, tail = lines[first][: node.col_offset], lines[last][node.end_col_offset :]
    return b"".join([*lines[:first], head + text.encode() + tail, *lines[last + 1 :]]).decode()


class Copy:
    """The tree, copied to where it may be broken; this process works there from now on."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        for name in ("monitor", "drivers", "replay", TESTS):
            shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
        for it in (ROOT / "pyproject.toml", ROOT / "tests/monitor/test_manual.py", *(ROOT / "tests").glob("*.py")):
            shutil.copy(it, folder / it.relative_to(ROOT))
        (folder / "recordings").symlink_to(ROOT / "recordings")
        os.chdir(folder)
        sys.path[:] = [str(folder), *(it for it in sys.path if Path(it).resolve() != ROOT)]
        os.environ["PYTHONPATH"] = str(folder)
        sys.dont_write_bytecode = False
        for name in SHARED:
            import_module(name)
        rigs = folder / "monitor/drill/rigs"
        sys.modules["monitor.rig.load"].parse_rig((rigs / "yard-panel.toml").read_text(encoding="utf-8"))
        assert not any(name.startswith("monitor.engine") for name in sys.modules), "a fork would not see the fault"
        gc.freeze()  # or every fork looks through all of it again

    def put(self, path: Path, source: str) -> None:
        """Put a module there instead. Its byte code goes: two faults a second apart and of one length look the same."""
        (self.folder / path).write_text(source, encoding="utf-8")
        Path(cache_from_source(str(self.folder / path))).unlink(missing_ok=True)

    def passes(self, tests: list[str], seed: int, limit_s: int | None = None) -> tuple[bool, float]:
        """Whether the tests pass within a limit of processor time, and how much of it they took (s)."""
        child = os.fork()
        if child == 0:
            os._exit(_run([str(TESTS / name) for name in tests], seed, limit_s))
        _, status, used = os.wait4(child, 0)
        return status == 0, used.ru_utime + used.ru_stime


def _run(tests: list[str], seed: int, limit_s: int | None) -> int:
    """The tests in this process, heard by nobody; what fails to start fails."""
    null = os.open(os.devnull, os.O_WRONLY)
    os.dup2(null, sys.stdout.fileno())
    os.dup2(null, sys.stderr.fileno())
    if limit_s is not None:
        resource.setrlimit(resource.RLIMIT_CPU, (limit_s, limit_s))
    loaded = "ignore::pytest.PytestAssertRewriteWarning"  # hypothesis came before pytest could look into it
    try:
        return sys.modules["pytest"].main(["-x", "-q", "--tb=no", "-W", loaded, f"--hypothesis-seed={seed}", *tests])
    except BaseException:  # noqa: BLE001 - a fork must end here, whatever breaks in it
        return 1


def judge(tree: Copy, module: str, tests: list[str], most: int | None, seed: int) -> bool:
    """Try a module's faults and print what survives; False if its tests fail as it is."""
    path = ENGINE / f"{module}.py"
    source = (ROOT / path).read_text(encoding="utf-8")
    every = list(mutants(source))
    chosen = every if most is None or most >= len(every) else random.Random(seed).sample(every, most)
    sound, took = tree.passes(tests, seed)
    if not sound:
        print(f"{module}: its tests fail without any fault: {', '.join(tests)}")
        return False
    survived = 0
    for mutant in sorted(chosen, key=lambda it: it.line):
        tree.put(path, mutant.source)
        if tree.passes(tests, seed, int(PATIENCE * took) + SPARE_S)[0]:
            survived += 1
            print(f"  {path}:{mutant.line}: {mutant.before[:70]}  ->  {mutant.after[:70]}", flush=True)
    tree.put(path, source)
    killed = len(chosen) - survived
    share = f" ({100.0 * killed / len(chosen):.0f} %)" if chosen else ""
    drawn = f" drawn of {len(every)} by seed {seed}" if len(chosen) < len(every) else ""
    print(f"{module}: {killed} of {len(chosen)} faults killed{share}{drawn}; by {', '.join(tests)}", flush=True)
    return True


def main() -> int:
    """Judge the modules named."""
    call = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    call.add_argument("module", nargs="*", help=f"of monitor/engine (unless said: {', '.join(OF)})")
    call.add_argument("--most", type=int, help="try no more faults a module than this")
    call.add_argument("--seed", type=int, default=1, help="of the draw and of the random tests (default: 1)")
    call.add_argument("--tests", nargs="+", help="test files of tests/monitor/engine instead of the usual")
    given = call.parse_args()
    for module in given.module:
        if not (ROOT / ENGINE / f"{module}.py").is_file():
            call.error(f"found '{module}'; allowed is a module of {ENGINE}")
    with tempfile.TemporaryDirectory() as folder:
        tree = Copy(Path(folder))
        well = [
            judge(tree, module, given.tests or list(OF.get(module, (f"test_{module}.py",))), given.most, given.seed)
            for module in given.module or OF
        ]
    return int(not all(well))


if __name__ == "__main__":
    sys.exit(main())
