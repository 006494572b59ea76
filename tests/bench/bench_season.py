"""What judging a season costs: many recordings by one process, by two, and by a Dask cluster of two workers on this computer.

python tests/bench/bench_season.py [COUNT] [FOLDER]    (1000 unless said; FOLDER: where the recordings are kept, and found again)

Every recording is the beginning of a drill, ten seconds and more, of one of twenty seeds. All of it is invented. Efficiency is the
time of one process over twice that of two. Two processes that know nothing of each other, half of the recordings each, show what
this machine gives at most: two processors that share a core, or have other work, give less than two. At last a worker is killed in
the middle, and the result must be the same to the last column.
"""

from __future__ import annotations

import json
import os
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from importlib.resources import files
from pathlib import Path

from monitor.drill import scenario
from monitor.drill.offline import play
from monitor.live.keeping import JournalKeeper
from monitor.rig.load import parse_rig
from monitor.season.table import read
from replay.recording import recordings

SEEDS = 20
BEGUN = datetime(2026, 1, 1, tzinfo=UTC)
CLUSTER = """
import json, logging, sys
from distributed import LocalCluster

if __name__ == "__main__":
    with LocalCluster(
        n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address="127.0.0.1:0", silence_logs=logging.CRITICAL
    ) as it:
        print(json.dumps([it.scheduler_address, [nanny.pid for nanny in it.workers.values()]]), flush=True)
        sys.stdin.read()
"""


def make(folder: Path, count: int) -> None:
    """So many recordings, in two halves."""
    text = files("monitor.drill").joinpath("rigs/yard-panel.toml").read_text(encoding="utf-8")
    drill = scenario.load("stuck-shore")
    drill = drill.model_copy(update={"move": drill.move[:1]})
    for half in (0, 1):
        (folder / str(half)).mkdir(parents=True, exist_ok=True)
    for number in range(count):
        path = folder / str(number % 2) / f"lift-{number:04d}.jsonl"
        if path.exists():
            continue
        if number >= SEEDS:
            shutil.copyfile(folder / str(number % SEEDS % 2) / f"lift-{number % SEEDS:04d}.jsonl", path)
            continue
        keeper = JournalKeeper(path, text, "yard-panel", print, BEGUN + timedelta(days=number))
        play(parse_rig(text), drill, seed=number + 1, keeper=keeper)
        keeper.close()


def begun(call: list[str]) -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, "-m", "monitor", "judge", *call], stdout=subprocess.DEVNULL)


def used_s() -> float:
    """Processor time of all children that have ended."""
    it = resource.getrusage(resource.RUSAGE_CHILDREN)
    return it.ru_utime + it.ru_stime


def timed(name: str, *calls: list[str]) -> float:
    """The time by clock of some calls at once."""
    before, at = used_s(), time.perf_counter()
    runs = [begun(call) for call in calls]
    codes = [run.wait() for run in runs]
    took = time.perf_counter() - at
    assert codes == [0] * len(calls), f"{name}: ended with {codes}"
    print(f"{name:<34}{took:8.1f} s by clock, {used_s() - before:8.1f} s of processors", flush=True)
    return took


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    with tempfile.TemporaryDirectory() as place:
        kept = Path(sys.argv[2]) if len(sys.argv) > 2 else Path(place) / "season"
        make(kept, count)
        halves = [str(kept / "0"), str(kept / "1")]
        out = [str(Path(place) / f"{i}.parquet") for i in range(6)]
        at = time.perf_counter()
        sessions = len(list(recordings(map(Path, halves))))
        print(f"{f'{sessions} sessions found in folders':<34}{time.perf_counter() - at:8.2f} s by clock")
        one = timed(f"{count} recordings, one process", [*halves, "-o", out[0]])
        plain = timed(
            "two that know nothing of each other",
            *([half, "-o", it] for half, it in zip(halves, out[1:3], strict=True)),
        )
        two = timed("--workers 2", [*halves, "--workers", "2", "-o", out[3]])
        script = Path(place) / "cluster.py"
        script.write_text(CLUSTER)
        cluster = subprocess.Popen([sys.executable, str(script)], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        assert cluster.stdin is not None
        assert cluster.stdout is not None
        address, pids = json.loads(cluster.stdout.readline())
        dask = timed("--dask, two workers (theirs not counted)", [*halves, "--dask", address, "-o", out[4]])
        for name, took in (("two that know nothing", plain), ("--workers 2", two), ("--dask", dask)):
            print(f"{name}: efficiency {one / 2.0 / took:.2f}, {plain / took:.2f} of what two processes give here")
        rows = Path(out[5] + ".rows")
        run = begun([*halves, "--dask", address, "-o", out[5]])
        while not rows.exists() or rows.read_bytes().count(b"\n") < count // 2:
            time.sleep(0.05)
        os.kill(pids[0], signal.SIGKILL)
        assert run.wait() == 0
        alone = read(Path(out[0]))
        assert [read(Path(it)) for it in out[3:]] == [alone] * 3
        print(
            f"killed a worker after {count // 2} of {count}: all {len(alone)} rows are there, the same as one process's"
        )
        cluster.stdin.close()
        cluster.wait()


if __name__ == "__main__":
    main()
