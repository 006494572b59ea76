"""What do the decoders make of bytes that nobody meant? A million inputs each, random and mutated from good ones.

python tests/bench/fuzz.py [N] [--seed S] [--only NAME ...] [--guided]

An input is a fault where a decoder raises anything but its own error, or gives a *false reading*: a value that an
independent reading of the same bytes does not find there (fuzz_targets.py, which a decoder joins by an entry of TARGETS).
A mutated message whose checksum still holds is a good message. Mutation is random by the seed; with --guided it follows
the coverage of the decoder's code (atheris, which is not among the dependencies: pip install atheris).
"""

from __future__ import annotations

import argparse
import json
import random
import re
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import FunctionType

from fuzz_reading import FalseReadingError, number
from fuzz_targets import TARGETS, Target

FULL = 1_000_000
_TOKEN = re.compile(rb'"?[-+.\w]+"?')
_SHOWN = 5
"""So many faults of a decoder are printed."""


@dataclass
class Outcome:
    """What came of a decoder's trial."""

    inputs: int = 0
    accepted: int = 0
    """Inputs of which a value came out."""
    faults: list[tuple[bytes, BaseException]] = field(default_factory=list)


def run(target: Target, count: int, seed: int) -> Outcome:
    """Give a decoder so many inputs."""
    rng, outcome = random.Random(f"{seed} {target.name}"), Outcome()
    for data in inputs(target, rng, count):
        outcome.inputs += 1
        try:
            outcome.accepted += target.try_(data) > 0
        except Exception as error:  # noqa: BLE001 - this is what is looked for
            outcome.faults.append((data, error))
    return outcome


def inputs(target: Target, rng: random.Random, count: int) -> Iterator[bytes]:
    """One in twenty is noise, one in twenty of the format's words in any order; the others are good ones, changed once or often."""
    for _ in range(count):
        kind = rng.random()
        if kind < 0.05:
            yield rng.randbytes(rng.randrange(60))
        elif kind < 0.1:
            yield b"".join(rng.choices(target.words, k=rng.randrange(1, 16)))
        else:
            data = target.good(rng)
            for _ in range(1 if kind < 0.6 else rng.randrange(1, 7)):
                data = mutated(data, target, rng)
            yield target.mend(data) if rng.random() < 0.5 else data


def mutated(data: bytes, target: Target, rng: random.Random) -> bytes:
    """One change: a bit, a byte, a piece lost, doubled, cut off, put in, grown together with another input, or a whole word."""
    size = len(data)
    at, end = sorted((rng.randrange(size + 1), rng.randrange(size + 1)))
    match rng.randrange(14):
        case 0 if size:
            at = rng.randrange(size)
            return data[:at] + bytes([data[at] ^ 1 << rng.randrange(8)]) + data[at + 1 :]
        case 1:
            return data[:at] + bytes([rng.randrange(256)]) + data[at + 1 :]
        case 2:
            return data[:at] + data[at + 1 :]
        case 3:
            return data[:at] + data[end:]
        case 4:
            return data[:end] + data[at:end] + data[end:]
        case 5:
            return data[:at]
        case 6:
            return data[:at] + rng.choice(target.words) + data[at:]
        case 7:
            return data[:at] + rng.choice(target.words) + data[end:]
        case 8:
            return data[:at] + target.good(rng)[at:]
    if whole := list(_TOKEN.finditer(data)):  # the most often: what is changed so is still of the format
        at, end = rng.choice(whole).span()
        other = rng.choice(target.words) if rng.random() < 0.7 else number(rng).encode()
        return data[:at] + other + data[end:]
    return data


def guided(target: Target, count: int, seed: int) -> None:
    """Give a decoder inputs that follow the coverage of its code. Ends the process; it never returns."""
    import atheris

    for module in target.modules:
        for it in vars(module).values():
            inside = vars(it).values() if isinstance(it, type) else [it]
            for function in inside:
                if isinstance(function, FunctionType) and function.__module__ == module.__name__:
                    atheris.instrument_func(function)
    seen: Counter[str] = Counter()

    def one(data: bytes) -> None:
        seen["inputs"] += 1
        try:
            seen["accepted"] += target.try_(data) > 0
        except Exception as error:  # noqa: BLE001 - this is what is looked for
            seen["faults"] += 1
            print(f"{target.name}: {type(error).__name__}: {str(error)[:200]} on {data[:300]!r}", file=sys.stderr)
        if seen["inputs"] == count:
            print(json.dumps(seen), flush=True)

    with tempfile.TemporaryDirectory() as corpus:
        rng = random.Random(f"{seed} {target.name}")
        for i in range(300):
            (Path(corpus) / str(i)).write_bytes(target.good(rng))
        options = [f"-runs={count + 1000}", f"-seed={seed}", "-max_len=400", "-verbosity=0", corpus]
        atheris.Setup([sys.argv[0], *options], one)
        atheris.Fuzz()


def _guided_outside(target: Target, count: int, seed: int) -> tuple[Outcome, str]:
    call = [sys.executable, __file__, str(count), "--seed", str(seed), "--inside", target.name]
    ran = subprocess.run(call, capture_output=True, text=True, check=False)
    said = [line for line in ran.stdout.splitlines() if line.startswith("{")]
    if not said:
        return Outcome(0, 0, [(b"", RuntimeError(ran.stderr[-2000:]))]), ""
    seen = json.loads(said[-1])
    found = [line for line in ran.stderr.splitlines() if line.startswith(f"{target.name}: ")]
    faults: list[tuple[bytes, BaseException]] = [(b"", RuntimeError(line)) for line in found]
    return Outcome(seen["inputs"], seen["accepted"], faults), ", guided by coverage"


def main() -> int:
    """Try every decoder, or those named."""
    names = [target.name for target in TARGETS]
    call = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    call.add_argument("count", nargs="?", type=int, default=FULL, help=f"inputs for each decoder (default: {FULL})")
    call.add_argument("--seed", type=int, default=1, help="of what is drawn (default: 1)")
    call.add_argument("--only", nargs="+", choices=names, help="these decoders and no others")
    call.add_argument("--guided", action="store_true", help="follow the coverage of the decoder's code (needs atheris)")
    call.add_argument("--inside", choices=names, help=argparse.SUPPRESS)
    asked = call.parse_args()
    if asked.inside:
        guided(next(target for target in TARGETS if target.name == asked.inside), asked.count, asked.seed)
    failed = False
    for target in TARGETS:
        if asked.only and target.name not in asked.only:
            continue
        begun = time.monotonic()
        how = ""
        if asked.guided:
            outcome, how = _guided_outside(target, asked.count, asked.seed)
        else:
            outcome = run(target, asked.count, asked.seed)
        false = sum(isinstance(error, FalseReadingError) for _, error in outcome.faults)
        print(
            f"{target.name}: {outcome.inputs:,} inputs{how}, seed {asked.seed}, {time.monotonic() - begun:.0f} s:"
            f" {outcome.accepted:,} held a value, {false} false readings,"
            f" {len(outcome.faults) - false} exceptions not its own",
            flush=True,
        )
        for data, error in outcome.faults[:_SHOWN]:
            print(f"  {type(error).__name__}: {str(error)[:200]}\n    on {data[:300]!r}")
        failed |= bool(outcome.faults)
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
