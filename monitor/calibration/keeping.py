"""Puts a calibration into the file beside the rig file: behind the older ones, wholly or not at all.

Several channels of a rig may be calibrated at once, by as many programs: whoever adds a table holds a lock from the look at the
file to the new one, so that none is lost. The lock is the system's, and goes with the process that held it.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import json
import os
import shutil
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

from monitor.calibration.guide import Guide
from monitor.rig.load import calibration_file, joined, read_text
from monitor.rig.schema import Rig

_SI = {
    "length": "m", "pressure": "Pa", "force": "N", "angle": "rad", "temperature": "K", "current": "A", "voltage": "V",
}  # fmt: skip

WAIT_S, _LOOK_S = 10.0, 0.02
"""How long another program that is at the file is waited for, which needs it for some hundredths of a second, and how often it
is looked for."""


def table(it: Guide, when: datetime, valid_for: int) -> str:
    """A finished calibration as the file says it. True values and reference stand as the person said them."""
    unit = _SI[it.channel.quantity]
    points = ", ".join(f"[{_text(f'{p.read:.9g} {unit}')}, {_text(p.said)}]" for p in it.sorted_points)
    counts = sorted({p.count for p in it.points})
    return (
        "[[calibration]]\n"
        f"channel = {_text(it.channel.name)}\n"
        f"date = {when.isoformat(timespec='seconds')}\n"
        f"who = {_text(it.who)}\n"
        f"points = [{points}]    # [read, true]\n"
        f"uncertainty = {_text(it.reference)}    # one standard deviation of the reference\n"
        f"spread = {_text(f'{it.spread:.3g} {unit}')}    # of the worst mean of {' or '.join(map(str, counts))} readings\n"
        f'valid_for = "{valid_for} days"\n'
    )


def _text(text: str) -> str:
    """A text as TOML has it: what JSON escapes, TOML escapes alike."""
    return json.dumps(text, ensure_ascii=False)


def keep(rig_file: Path, new: str) -> tuple[Path, Rig]:
    """Add a table to the file beside a rig file; returns that file, and the rig with it.

    Raises RigFaults where the two would not be sound together, OSError where it cannot be written; the file is as it was then.
    """
    beside = calibration_file(rig_file)
    real = Path(os.path.realpath(beside))
    with _alone_at(real):
        if beside.exists():
            before = read_text(beside)
            text = f"{before}{'' if before.endswith(chr(10)) or not before else chr(10)}\n{new}"
        else:
            text = f"# Calibrations of {rig_file.name}. Of a channel the newest counts; the older ones are its history.\n\n{new}"
        rig = joined(read_text(rig_file), str(rig_file), text, str(beside)).rig()
        _replace(real, text)
    return beside, rig


@contextlib.contextmanager
def _alone_at(path: Path) -> Iterator[None]:
    """Be the only one that adds to a file. Raises OSError where another stays at it, or where no lock can be had.

    The lock is on a file beside it, for the file itself is replaced. Who ends takes that away, and who waited for it begins anew.
    """
    lock = path.with_name(f".{path.name}.lock")
    until_s = time.monotonic() + WAIT_S
    while True:
        with lock.open("a") as held:
            if _locked(held.fileno()) and _is_there(lock, held.fileno()):
                try:
                    yield
                finally:
                    with contextlib.suppress(OSError):
                        lock.unlink()
                return
        if time.monotonic() >= until_s:
            raise OSError(errno.EWOULDBLOCK, f"another program has been at it for {WAIT_S:g} s")
        time.sleep(_LOOK_S)


def _locked(file: int) -> bool:
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _is_there(path: Path, file: int) -> bool:
    """Whether an open file is the one of that name still."""
    try:
        return os.path.samestat(path.stat(), os.fstat(file))
    except FileNotFoundError:
        return False


def _replace(path: Path, text: str) -> None:
    """Put a text in place of a file at once: written beside it, on the disk, then renamed over it."""
    new = path.with_name(f".{path.name}.{os.getpid()}.new")
    try:
        with new.open("w", encoding="utf-8", newline="") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            shutil.copymode(path, new)
        new.replace(path)
    except OSError:
        with contextlib.suppress(OSError):
            new.unlink()
        raise
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
