"""A Dask cluster judges: whoever runs one gives its scheduler's address, and its workers read the recordings themselves.

Recordings are found by path: the folder must be mounted at the same place on every worker, which copies no gigabytes through the
scheduler. So many are handed out as the workers have threads, and one more each; a worker that dies loses nothing, since the
scheduler gives what it had to another. What was in hand whenever workers died is tried alone at the end, so that only a recording
which ends every worker by itself becomes a row that says so. `distributed` is imported here alone.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from typing import Any

from monitor.encode import Json
from monitor.season.one import Job, programme, row_of
from monitor.season.workers import Body, Rows, no_row

_CONNECT_S = 10
_LOST = ("lost", "cancelled")


class ClusterError(Exception):
    """The cluster cannot be used. One sentence: where, what was found, what is allowed."""


def by_cluster(address: str, jobs: Sequence[Job], judge: str, body: Body = row_of) -> Rows:
    """(job, row) as each is done, by the workers of the scheduler at `address`. Raises ClusterError."""
    from distributed import Client

    try:
        client = Client(address, timeout=_CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise ClusterError(f"--dask: no scheduler at {address} ({error})") from None
    try:
        _check(client, address, judge)
        yield from _Handing(client, address, judge, body).all(jobs)
    finally:
        client.close()


def _check(client: Any, address: str, judge: str) -> None:
    """That there are workers, and that they judge by this very program. Raises ClusterError."""
    theirs = client.run(programme, on_error="return")
    if not theirs:
        raise ClusterError(f"--dask: the scheduler at {address} has no worker")
    for worker, found in theirs.items():
        if found != judge:
            raise ClusterError(f"--dask: {worker} has {found}; every worker must have {judge}, as this computer has")


class _Handing:
    """Jobs on their way to the workers and back."""

    def __init__(self, client: Any, address: str, judge: str, body: Body) -> None:
        self._client, self._address, self._judge, self._body = client, address, judge, body
        self._out: dict[Any, Job] = {}

    def all(self, jobs: Sequence[Job]) -> Iterator[tuple[Job, Json]]:
        """All of them; those that were in hand when workers died come last, each alone."""
        alone: deque[Job] = deque()
        for job, row in self._some(deque(jobs), self._most()):
            if row is None:
                alone.append(job)
            else:
                yield job, row
        for job, row in self._some(alone, 1):
            yield job, no_row(job, self._judge, "every worker that judged it died") if row is None else row

    def _most(self) -> int:
        threads = self._client.nthreads()
        return sum(map(int, threads.values())) + len(threads)

    def _some(self, waiting: deque[Job], most: int) -> Iterator[tuple[Job, Json | None]]:
        """(job, row), None for one whose workers died, with so many handed out at most."""
        from distributed import as_completed

        done = as_completed(loop=self._client.loop, raise_errors=False)
        for _ in range(min(most, len(waiting))):
            done.add(self._submit(waiting.popleft()))
        for future in done:
            job = self._out.pop(future)
            yield job, self._row(future, job)
            if waiting:
                done.add(self._submit(waiting.popleft()))

    def _submit(self, job: Job) -> Any:
        future = self._client.submit(self._body, job, self._judge, pure=False)
        self._out[future] = job
        return future

    def _row(self, future: Any, job: Job) -> Json | None:
        from distributed import KilledWorker

        if future.status == "finished":
            row: Json = future.result()
            return row
        if future.status in _LOST:
            raise ClusterError(f"--dask: the scheduler at {self._address} is gone")
        error = future.exception()
        if isinstance(error, KilledWorker):
            return None
        return no_row(job, self._judge, f"judging it failed: {type(error).__name__}: {error}")
