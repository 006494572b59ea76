"""Holds what the engine says of every recording together in every Python that is there: every picture to the bit.

    python tests/pythons.py [--must 3.12 --must 3.13]

Finds interpreters from 3.11 on (on the PATH, and where pyenv keeps them), makes a virtual environment for each with the project in
it, and compares the event logs (tests/event_log.py) with those that this interpreter writes, byte for byte. Says which were not
there; with `--must`, fails where one of those was not. Needs the package index for what the project depends on.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

HERE = Path(__file__).resolve().parent
HOME = HERE.parent
VERSIONS = ("3.11", "3.12", "3.13")


def interpreter(version: str) -> Path | None:
    """A Python of this version that runs; None if there is none."""
    return next((it for it in _candidates(version) if _version_of(it) == version), None)


def _candidates(version: str) -> Iterator[Path]:
    """Where one may be, the best first."""
    root = Path(os.environ.get("PYENV_ROOT", Path.home() / ".pyenv")) / "versions"
    yield from sorted(root.glob(f"{version}.*/bin/python"), reverse=True)
    if (found := shutil.which(f"python{version}")) is not None:
        yield Path(found)


def _version_of(python: Path) -> str | None:
    done = subprocess.run([python, "-VV"], capture_output=True, text=True, check=False)
    found = re.match(r"Python (\d+\.\d+)", done.stdout)
    return found[1] if done.returncode == 0 and found is not None else None


def write_logs(python: Path | str, into: Path) -> subprocess.Popen[bytes]:
    """Start an interpreter on all recordings."""
    firsts = [str(it) for it in sorted((HOME / "recordings").glob("*.jsonl")) if ".part" not in it.name]
    return subprocess.Popen(
        [python, HERE / "event_log.py", "--into", into, *firsts],
        env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
    )


def environment(python: Path, at: Path) -> Path:
    """A virtual environment with the project in it; returns its interpreter."""
    subprocess.run([python, "-m", "venv", at], check=True)
    inside = at / "bin" / "python"
    subprocess.run([inside, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", HOME], check=True)
    return inside


def differences(folder: Path, other: Path) -> list[str]:
    """The recordings of which two interpreters did not say the same, and where they part."""
    said = []
    for it in sorted(folder.iterdir()):
        pair = it.read_bytes().split(b"\n"), (other / it.name).read_bytes().split(b"\n")
        if pair[0] != pair[1]:
            line = next((i for i, (a, b) in enumerate(zip(*pair, strict=False), 1) if a != b), min(map(len, pair)) + 1)
            said.append(f"{it.stem}, from line {line} of its event log on")
    return said


def main() -> int:
    """Compare; returns the exit code."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--must", action="append", default=[], help="a version that has to be there")
    given = asked.parse_args()
    mine = "{}.{}".format(*sys.version_info)
    with tempfile.TemporaryDirectory() as folder:
        at = Path(folder)
        running = {mine: write_logs(sys.executable, at / mine)}
        missing = []
        for version in VERSIONS:
            if version == mine:
                continue
            if (python := interpreter(version)) is None:
                missing.append(version)
            else:
                running[version] = write_logs(environment(python, at / f"venv-{version}"), at / version)
        failed = [version for version, run in running.items() if run.wait() != 0]
        for version in missing:
            print(f"Python {version}: not there, nothing proven")
        for version in failed:
            print(f"Python {version}: could not play the recordings")
        wrong = mine in failed
        for version in running:
            if version == mine or failed:
                continue
            parted = differences(at / mine, at / version)
            wrong |= bool(parted)
            number = len(list((at / mine).iterdir()))
            for it in parted:
                print(f"Python {version}: other pictures than {mine}: {it}")
            if not parted:
                print(f"Python {version}: the event logs of {number} recordings are those of {mine} to the byte")
    return int(wrong or bool(failed) or any(it in missing for it in given.must))


if __name__ == "__main__":
    sys.exit(main())
