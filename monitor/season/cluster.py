"""A Dask cluster judges: whoever runs one gives its scheduler's address, and its workers read the recordings themselves.

Recordings are found by path: the folder must be mounted at the same place on every worker, which copies no gigabytes through the
scheduler. They are handed out in bundles, since each costs the cluster something whatever is in it: so many as the workers have
threads, and one more each. The last bundles are small, so that all workers end at about the same time. A worker that dies loses
nothing, since the scheduler gives what it had to another.
What was in hand whenever workers died is tried alone at the end, so that only a recording which ends every worker by itself becomes
a row that says so. `distributed` is imported here alone.
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
_BUNDLE_BYTES, _BUNDLE = 1_000_000, 32
"""As much is in a bundle at most, unless one recording is more, and so many recordings: about a second's work."""
_LEFT = 2
"""It takes no more of what is left than one in so many for each that is handed out at once."""


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
        self._out: dict[Any, Sequence[Job]] = {}

    def all(self, jobs: Sequence[Job]) -> Iterator[tuple[Job, Json]]:
        """All of them; those that were in hand when workers died come last, each alone."""
        most, alone = self._most(), deque[Sequence[Job]]()
        for job, row in self._some(deque(bundles(jobs, most * _LEFT)), most):
            if row is None:
                alone.append([job])
            else:
                yield job, row
        for job, row in self._some(alone, 1):
            yield job, no_row(job, self._judge, "every worker that judged it died") if row is None else row

    def _most(self) -> int:
        threads = self._client.nthreads()
        return sum(map(int, threads.values())) + len(threads)

    def _some(self, waiting: deque[Sequence[Job]], most: int) -> Iterator[tuple[Job, Json | None]]:
        """(job, row), None for one whose workers died, with so many bundles handed out at most."""
        from distributed import as_completed

        done = as_completed(loop=self._client.loop, raise_errors=False)
        for _ in range(min(most, len(waiting))):
            done.add(self._submit(waiting.popleft()))
        for future in done:
            bundle = self._out.pop(future)
            yield from zip(bundle, self._rows(future, bundle), strict=True)
            if waiting:
                done.add(self._submit(waiting.popleft()))

    def _submit(self, bundle: Sequence[Job]) -> Any:
        future = self._client.submit(_rows_of, self._body, bundle, self._judge, pure=False)
        self._out[future] = bundle
        return future

    def _rows(self, future: Any, bundle: Sequence[Job]) -> Sequence[Json | None]:
        from distributed import KilledWorker

        if future.status == "finished":
            rows: list[Json] = future.result()
            return rows
        if future.status in _LOST:
            raise ClusterError(f"--dask: the scheduler at {self._address} is gone")
        error = future.exception()
        if isinstance(error, KilledWorker) or len(bundle) > 1:  # which of them it was, each will say alone
            return [None] * len(bundle)
        return [no_row(bundle[0], self._judge, f"judging it failed: {type(error).__name__}: {error}")]


def _rows_of(body: Body, bundle: Sequence[Job], judge: str) -> list[Json]:
    """The rows of a bundle, at a worker."""
    return [body(job, judge) for job in bundle]


def bundles(jobs: Sequence[Job], share: int) -> list[list[Job]]:
    """The jobs in their order, neighbours together where they are small: each bundle at most one in `share` of the bytes that
    are left, so that they become smaller towards the end (guided self-scheduling, after Polychronopoulos and Kuck 1987)."""
    made: list[list[Job]] = []
    left, size, most = sum(job.size for job in jobs), 0, 0
    for job in jobs:
        size += job.size
        if not made or size > most or len(made[-1]) >= _BUNDLE:
            made.append([])
            size, most = job.size, min(_BUNDLE_BYTES, left // share)
        made[-1].append(job)
        left -= job.size
    return made
