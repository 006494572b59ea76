"""Several programs that keep calibrations of one rig at once: none is lost, and a lock that somebody else holds is a sentence."""

from __future__ import annotations

import fcntl
import os
import subprocess
import sys
from importlib.resources import files
from pathlib import Path

import pytest

from monitor.calibration import keeping
from monitor.rig.load import read_rig

TEXT = files("monitor.drill").joinpath("rigs/training-yard.toml").read_text(encoding="utf-8")
GAUGES = ("S1-lower-p", "S1-upper-p", "N1-p", "N2-p")
EACH = 4
KEEPER = """
import sys
from pathlib import Path
from monitor.calibration.keeping import keep

print("ready", flush=True)
sys.stdin.readline()
for day in range(1, 1 + int(sys.argv[1])):
    keep(Path("yard.toml"), sys.argv[2].replace("2026-01-01", f"2026-01-0{day}"))
"""

HOLDER = """
import fcntl, sys
held = open(".yard.calibration.toml.lock", "a")
fcntl.flock(held, fcntl.LOCK_EX)
print("held", flush=True)
sys.stdin.readline()
"""


@pytest.fixture
def rig_file(tmp_path) -> Path:
    path = tmp_path / "yard.toml"
    path.write_text(TEXT, encoding="utf-8")
    return path


def table(channel: str) -> str:
    return (
        f'[[calibration]]\nchannel = "{channel}"\ndate = 2026-01-01\nwho = "invented"\n'
        'points = [[0, 0], ["8 bar", "8 bar"]]\nuncertainty = "1 mbar"\n'
    )


def test_four_programs_at_once_lose_nothing_and_leave_nothing_else_behind(rig_file):
    command = [sys.executable, "-c", KEEPER]
    keepers = [
        subprocess.Popen(
            [*command, str(EACH), table(gauge)],
            cwd=rig_file.parent,
            text=True,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        for gauge in GAUGES
    ]
    for it in keepers:
        assert it.stdout.readline() == "ready\n"
    for it in keepers:
        it.stdin.write("\n")
        it.stdin.flush()
    said = [it.communicate(timeout=60) for it in keepers]
    assert [(it.returncode, errors) for it, (_, errors) in zip(keepers, said, strict=True)] == [(0, "")] * len(GAUGES)
    kept = [(it.channel, it.date.day) for it in read_rig(rig_file).calibration]
    assert sorted(kept) == sorted((gauge, day) for gauge in GAUGES for day in range(1, 1 + EACH))
    for gauge in GAUGES:
        assert [day for channel, day in kept if channel == gauge] == list(range(1, 1 + EACH)), (
            "in order, each behind the last"
        )
    assert sorted(path.name for path in rig_file.parent.iterdir()) == ["yard.calibration.toml", "yard.toml"]


def test_a_file_that_another_program_stays_at_is_said_and_left_as_it_is(rig_file, monkeypatch):
    monkeypatch.setattr(keeping, "WAIT_S", 0.1)
    keeping.keep(rig_file, table("S1-lower-p"))
    beside = rig_file.with_name("yard.calibration.toml")
    before = beside.read_text(encoding="utf-8")
    lock = rig_file.with_name(".yard.calibration.toml.lock")
    with lock.open("a") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        with pytest.raises(OSError, match=r"another program has been at it for 0\.1 s"):
            keeping.keep(rig_file, table("S1-upper-p"))
        assert beside.read_text(encoding="utf-8") == before
        assert lock.exists(), "whose it is"
    keeping.keep(rig_file, table("S1-upper-p"))
    assert [it.channel for it in read_rig(rig_file).calibration] == ["S1-lower-p", "S1-upper-p"]


def test_a_lock_goes_with_the_process_that_was_killed_holding_it(rig_file):
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLDER], cwd=rig_file.parent, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    try:
        assert holder.stdout.readline() == "held\n"
    finally:
        holder.kill()
        holder.communicate()
    keeping.keep(rig_file, table("S1-lower-p"))
    assert not rig_file.with_name(".yard.calibration.toml.lock").exists()


def test_a_lock_taken_away_while_it_was_waited_for_is_none(rig_file, monkeypatch):
    """Who ends takes the lock's file away: whoever opened it before holds a file that nobody else will find."""
    lock, real, first = rig_file.with_name(".yard.calibration.toml.lock"), keeping._locked, []

    def late(file: int) -> bool:
        got = real(file)
        if not first:
            first.append(os.fstat(file).st_ino)
            lock.unlink()
        return got

    monkeypatch.setattr(keeping, "_locked", late)
    with keeping._alone_at(rig_file.with_name("yard.calibration.toml")), lock.open("a") as other:
        assert not real(other.fileno()), "it is held by the name that others will find"
