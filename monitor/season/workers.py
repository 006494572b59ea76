"""Several processes of one machine: each judges one recording at a time, and one that dies costs nobody anything.

A pool of our own: it knows which recording a process had in hand when it died. That one is tried once more, and then is a row that
says what happened. A process ends by itself when the one that started it is gone.
"""

from __future__ import annotations

import os
import signal
from collections import deque
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass
from multiprocessing import get_context
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess

from monitor.encode import Json
from monitor.season.one import Job, row_of

TRIES = 2
"""How often a recording is begun before it is said to end whatever judges it."""
_END_WITHIN_S = 5.0

Body = Callable[[Job, str], Json]
Rows = Generator[tuple[Job, Json], None, None]


@dataclass(slots=True)
class _Worker:
    """One process, our end of its pipe, and what it has in hand."""

    process: SpawnProcess
    pipe: Connection
    job: Job | None = None


def cores() -> int:
    """How many processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def by_processes(jobs: Sequence[Job], judge: str, count: int, body: Body = row_of) -> Rows:
    """(job, row) as each is done, by so many processes at most. `body` makes a row, in the process."""
    waiting, tries = deque(jobs), dict.fromkeys((job.number for job in jobs), 0)
    workers = [_started(judge, body) for _ in range(min(count, len(jobs)))]
    try:
        while waiting or any(it.job for it in workers):
            for it in workers:
                if it.job is None and waiting:
                    _hand(it, waiting.popleft(), tries)
            ready = wait([it.pipe for it in workers if it.job])
            for at, it in enumerate(workers):
                if it.pipe not in ready or it.job is None:
                    continue
                job, it.job = it.job, None
                try:
                    yield job, it.pipe.recv()
                except (EOFError, OSError):
                    _ended(it)
                    workers[at] = _started(judge, body)
                    if tries[job.number] < TRIES:
                        waiting.appendleft(job)
                    else:
                        yield job, died(job, judge, it.process.exitcode)
    finally:
        for it in workers:
            it.process.terminate()
        for it in workers:
            _ended(it)


def died(job: Job, judge: str, exitcode: int | None) -> Json:
    """The row of a recording that ended every process that judged it."""
    how = f"signal {-exitcode}" if exitcode is not None and exitcode < 0 else f"code {exitcode}"
    return no_row(job, judge, f"the process that judged it ended with {how}, {TRIES} times")


def no_row(job: Job, judge: str, why: str) -> Json:
    """The row of a recording that could not be judged, and why."""
    return row_head(job, judge) | {"trouble": f"{job.files[0]}: {why}"}


def row_head(job: Job, judge: str) -> Json:
    """What is known of a job before its files are read."""
    folder = os.path.basename(os.path.dirname(job.files[0]))
    return {"file": job.files[0], "folder": folder, "bytes": job.size, "judge": judge, "limits": job.limits}


def _hand(worker: _Worker, job: Job, tries: dict[int, int]) -> None:
    tries[job.number] += 1
    worker.job = job
    try:
        worker.pipe.send(job)
    except OSError:  # it has just died: its end of the pipe says so when it is read
        return


def _started(judge: str, body: Body) -> _Worker:
    context = get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=_work, args=(theirs, judge, body), daemon=True, name="judge")
    process.start()
    theirs.close()
    return _Worker(process, ours)


def _ended(worker: _Worker) -> None:
    worker.pipe.close()
    worker.process.join(_END_WITHIN_S)
    if worker.process.is_alive():
        worker.process.kill()
        worker.process.join()


def _work(pipe: Connection, judge: str, body: Body) -> None:
    """The life of a process: a job in, a row out. An interrupt at the keyboard is for whoever started it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        while True:
            pipe.send(body(pipe.recv(), judge))
    except (EOFError, OSError):
        return
