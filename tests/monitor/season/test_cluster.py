"""A real Dask cluster on the loopback, a scheduler and two workers: a worker that is killed in the middle loses nothing."""

from __future__ import annotations

import itertools
import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.season.cluster import bundles
from monitor.season.command import Call, judge_many
from monitor.season.one import Job
from monitor.season.table import read

BODIES = '''
import os, signal
from pathlib import Path

def killer(job, judge):
    """One recording ends its worker every time; another did once; one cannot be judged by anybody."""
    name = Path(job.files[0]).name
    seen = Path(job.files[0] + ".seen")
    if name == "lift-1.jsonl" or (name == "lift-2.jsonl" and not seen.exists()):
        seen.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    if name == "lift-4.jsonl":
        raise RuntimeError("not this one")
    return {"trouble": None}
'''
CLUSTER = """
import json, logging, sys
from distributed import LocalCluster

if __name__ == "__main__":
    with LocalCluster(
        n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address="127.0.0.1:0", silence_logs=logging.CRITICAL
    ) as it:
        pids = [nanny.pid for nanny in it.workers.values()]
        print(json.dumps({"address": it.scheduler_address, "pids": pids}), flush=True)
        sys.stdin.read()
"""
ASK = """
import json, sys
from pathlib import Path
from bodies import killer
from monitor.season.cluster import by_cluster
from monitor.season.one import Job, programme

jobs = [Job(i, (name,), None, 1) for i, name in enumerate(sys.argv[2:])]
print(json.dumps({Path(job.files[0]).name: row["trouble"] for job, row in by_cluster(sys.argv[1], jobs, programme(), killer)}))
"""


@pytest.fixture(scope="module")
def place(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("cluster")
    for name, text in (("bodies", BODIES), ("cluster", CLUSTER), ("ask", ASK)):
        (folder / f"{name}.py").write_text(text)
    return folder


def environment(place: Path) -> dict[str, str]:
    path = os.pathsep.join([str(place), os.getcwd(), *sys.path])
    return os.environ | {"PYTHONPATH": path, "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "0"}


@pytest.fixture(scope="module")
def cluster(place) -> Iterator[dict]:
    run = subprocess.Popen(
        [sys.executable, str(place / "cluster.py")],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, env=environment(place),
    )  # fmt: skip
    yield json.loads(run.stdout.readline())
    run.stdin.close()
    run.stdout.close()
    run.wait(60)


def test_a_killed_worker_loses_nothing(cluster, place, few, tmp_path, wait_until):
    """The worker is killed once the first row is there, while others are being judged."""
    alone, together = tmp_path / "alone.parquet", tmp_path / "together.parquet"
    judge_many(Call([str(few)], output=str(alone)))
    call = [sys.executable, "-m", "monitor", "judge", str(few), "--dask", cluster["address"], "-o", str(together)]
    rows = together.with_name("together.parquet.rows")
    with subprocess.Popen(call, env=environment(place), stdout=subprocess.DEVNULL) as run:
        wait_until(lambda: rows.exists() and rows.stat().st_size > 0, 100, "one is judged")
        os.kill(cluster["pids"][0], signal.SIGKILL)
        assert run.wait(100) == 1  # one file is no recording
    assert read(together) == read(alone)


def test_what_ends_every_worker_is_a_row_that_says_so(cluster, place, few):
    names = [str(few / f"lift-{month}.jsonl") for month in (1, 2, 3)]
    call = [sys.executable, str(place / "ask.py"), cluster["address"], *names]
    found = json.loads(subprocess.run(call, env=environment(place), capture_output=True, text=True, check=True).stdout)
    assert found.pop("lift-1.jsonl").endswith("lift-1.jsonl: every worker that judged it died")
    assert found == {"lift-2.jsonl": None, "lift-3.jsonl": None}


def test_of_a_bundle_each_is_answered_for_by_itself(cluster, place, tmp_path):
    """A hundred of one size go out in bundles, large ones first: what befalls one of them befalls none of the others."""
    names = [str(tmp_path / f"lift-{number}.jsonl") for number in range(100)]
    (tmp_path / "lift-2.jsonl.seen").touch()  # this once it ends no worker
    call = [sys.executable, str(place / "ask.py"), cluster["address"], *names]
    found = json.loads(subprocess.run(call, env=environment(place), capture_output=True, text=True, check=True).stdout)
    assert len(found) == 100
    assert found.pop("lift-1.jsonl").endswith("lift-1.jsonl: every worker that judged it died")
    assert found.pop("lift-4.jsonl").endswith("lift-4.jsonl: judging it failed: RuntimeError: not this one")
    assert set(found.values()) == {None}


@given(st.lists(st.integers(0, 3_000_000), max_size=300), st.integers(1, 64))
def test_bundles_have_every_job_in_order_and_become_small_towards_the_end(sizes, share):
    jobs = [Job(number, (), None, size) for number, size in enumerate(sizes)]
    made = bundles(jobs, share)
    assert [job for it in made for job in it] == jobs
    left = sum(sizes)
    most = []
    for it in made:
        size = sum(job.size for job in it)
        most.append(min(1_000_000, left // share))
        assert 1 <= len(it) <= 32
        assert len(it) == 1 or size <= most[-1]
        left -= size
    for i, (one, other) in enumerate(itertools.pairwise(made)):  # no more of them than that asks for
        assert len(one) == 32 or sum(job.size for job in one) + other[0].size > most[i]


def test_no_scheduler_is_a_sentence(few, place, tmp_path):
    call = [
        sys.executable,
        "-m",
        "monitor",
        "judge",
        str(few),
        "--dask",
        "tcp://127.0.0.1:1",
        "-o",
        str(tmp_path / "it.parquet"),
    ]
    run = subprocess.run(call, env=environment(place), capture_output=True, text=True)
    assert run.returncode == 2
    assert "--dask: no scheduler at tcp://127.0.0.1:1" in run.stderr.splitlines()[-1]
    assert "Traceback" not in run.stderr
