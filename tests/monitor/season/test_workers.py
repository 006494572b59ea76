"""Processes that judge: what they say is what one process says, a killed one loses nothing, and none outlives who began it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.debrief.judge import judge
from monitor.season.command import Call, judge_many
from monitor.season.one import Job, programme, row_of
from monitor.season.workers import TRIES, by_processes, cores

from ...processes import is_there


def jobs(folder: Path) -> list[Job]:
    return [
        Job(number, (str(path),), None, path.stat().st_size)
        for number, path in enumerate(sorted(folder.glob("*.jsonl")))
    ]


def once_killed(job: Job, judge: str):
    """A body that ends its process, as a lack of memory would, the first time it has a certain recording in hand."""
    mark = Path(job.files[0] + ".seen")
    if "lift-1" in job.files[0] and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return {"trouble": None, "file": job.files[0]}


def always_killed(job: Job, judge: str):
    """The same, every time."""
    if "lift-1" in job.files[0]:
        os.kill(os.getpid(), signal.SIGKILL)
    return {"trouble": None, "file": job.files[0]}


def test_a_killed_process_loses_nothing(few):
    rows = {job.number: row for job, row in by_processes(jobs(few), "j", 2, once_killed)}
    assert sorted(rows) == [0, 1, 2, 3]
    assert all(row["trouble"] is None for row in rows.values())


def test_what_ends_every_process_is_a_row_that_says_so(few):
    rows = {Path(job.files[0]).name: row for job, row in by_processes(jobs(few), "j", 2, always_killed)}
    assert rows["lift-1.jsonl"]["trouble"].endswith(f"the process that judged it ended with signal 9, {TRIES} times")
    assert [name for name, row in rows.items() if row["trouble"] is None and name != "lift-1.jsonl"]
    assert len(rows) == 4


def test_processes_say_what_one_says_in_the_same_order(few, capsys):
    assert judge([str(few)], as_json=True) == 1
    alone = capsys.readouterr()
    assert judge_many(Call([str(few)], as_json=True, workers="2")) == 1
    together = capsys.readouterr()
    assert [json.loads(line) | {"file": ""} for line in together.out.splitlines()] == [
        json.loads(line) | {"file": ""} for line in alone.out.splitlines()
    ]
    assert "none.jsonl: is no recording" in together.err


@pytest.mark.parametrize("found", ["0", "-1", "many", "1.5", "513"])
def test_a_wrong_number_of_workers_is_a_sentence(few, capsys, found):
    assert judge_many(Call([str(few)], workers=found)) == 2
    assert f"found '{found}', allowed is 1 to 512, or all" in capsys.readouterr().err


def test_workers_and_a_cluster_exclude_each_other(few, capsys):
    assert judge_many(Call([str(few)], workers="2", dask="tcp://127.0.0.1:1")) == 2
    assert "one of them" in capsys.readouterr().err


def test_a_season_that_does_not_end_as_one_is_refused_before_anything_is_judged(few, tmp_path, capsys):
    assert judge_many(Call([str(few)], output=str(tmp_path / "season.csv"))) == 2
    assert capsys.readouterr().err.endswith("season.csv: found no such ending; a season's file ends in .parquet\n")
    assert not list(tmp_path.glob("season*"))


def test_all_is_what_this_process_may_use():
    assert 1 <= cores() <= (os.cpu_count() or 1)


def test_a_row_holds_the_verdict_and_the_figures_of_one_pass(made):
    row = row_of(jobs(made)[0], programme())
    figures = {(name, about): value for name, about, value, _, _ in row["figures"]}
    assert figures["recording.readings", ""] == row["verdict"]["samples"]
    assert figures["recording.same_as_live", ""] == 1.0
    assert row["trouble"] is None


def test_the_programme_is_told_by_its_modules_not_its_version_alone():
    version, digest = programme().rsplit(" ", 1)
    assert version.startswith("inchwatch ")
    assert len(digest) == 16
    assert programme() == f"{version} {digest}"


SLOW = """
import os, sys, time
from pathlib import Path
from monitor.season.one import Job
from monitor.season.workers import by_processes

def slow(job, judge):
    Path(job.files[0]).write_text(str(os.getpid()))
    time.sleep(0.5)  # it is at work when its parent is killed, and then finds nobody to tell

if __name__ == "__main__":
    jobs = [Job(i, (name,), None, 1) for i, name in enumerate(sys.argv[1:])]
    for _ in by_processes(jobs, "j", 2, slow):
        pass
"""


def test_no_process_outlives_the_one_that_began_it_and_was_killed(tmp_path, wait_until):
    script = tmp_path / "slow.py"
    script.write_text(SLOW)
    marks = [tmp_path / "a", tmp_path / "b"]
    run = subprocess.Popen(
        [sys.executable, str(script), *map(str, marks)], env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}
    )
    wait_until(lambda: all(mark.exists() and mark.read_text() for mark in marks), 60, "both are at work")
    run.kill()
    run.wait()
    pids = [int(mark.read_text()) for mark in marks]
    wait_until(lambda: not any(is_there(pid) for pid in pids), 60, "both are gone")
