"""The body of `inchwatch judge` for many recordings: by several processes or a cluster, kept as a table, gone on with later."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from monitor.debrief.judge import reached, read_limits, show
from monitor.encode import Json
from monitor.rig.load import RigFaults
from monitor.season.bar import Bar
from monitor.season.cluster import ClusterError, by_cluster
from monitor.season.kept import Kept, Key, key, key_of, replaced
from monitor.season.one import Job, digest, programme, row_of
from monitor.season.table import TableError, as_rows, write
from monitor.season.workers import Rows, by_processes, cores
from replay.journal import JournalError
from replay.recording import recordings, unread


@dataclass(frozen=True, slots=True)
class Call:
    """What was typed after `inchwatch judge`."""

    files: list[str]
    as_json: bool = False
    limits: str | None = None
    fail_on: str | None = None
    workers: str | None = None
    dask: str | None = None
    output: str | None = None


class BadCall(ValueError):
    """The call is wrong. The message says what was found and what is allowed."""


def judge_many(call: Call) -> int:
    """Judge all; returns the exit code: 1 if a session cannot be judged, `fail_on` was reached, or it was stopped."""
    try:
        return _Run(call).all()
    except (BadCall, RigFaults, ClusterError, TableError) as error:
        print(f"inchwatch judge: {error}", file=sys.stderr)
        return 2
    except ImportError as error:
        extra = "tables" if error.name == "pyarrow" else "dask"
        print(f"inchwatch judge: found no {error.name}; allowed is: pip install 'inchwatch[{extra}]'", file=sys.stderr)
        return 2


class _Run:
    """One call, from its files to its exit code."""

    def __init__(self, call: Call) -> None:
        self.call = call
        if call.workers is not None and call.dask is not None:
            raise BadCall("--workers is for this computer, --dask for a cluster: one of them")
        if call.output is not None and call.as_json:
            raise BadCall("-o writes a table in place of verdicts: not with --json")
        if call.output is not None and Path(call.output).suffix != ".parquet":
            raise BadCall(f"-o {call.output}: found no such ending; a season's file ends in .parquet")
        self.count = _count(call.workers)
        self.limits = read_limits(Path(call.limits)) if call.limits else None
        self.judge = programme()
        self.found = list(self._found())
        self.failed = False
        if call.output is not None:
            import pyarrow  # noqa: F401  # before hours of work, not after
        if call.dask is not None:
            import distributed  # noqa: F401

    def _found(self) -> Iterator[Job | JournalError]:
        number = 0
        for it in recordings(map(Path, self.call.files)):
            if isinstance(it, JournalError):
                yield it
                continue
            files = [part.path.resolve() for part in it.parts]
            yield Job(number, tuple(map(str, files)), self.limits, sum(_size(path) for path in files))
            number += 1

    def all(self) -> int:
        """Do it."""
        for said in unread([*map(Path, self.call.files)]):
            print(f"inchwatch judge: {said}", file=sys.stderr)
        jobs = [it for it in self.found if isinstance(it, Job)]
        if self.call.output is None:
            self._print(jobs)
        else:
            self._keep(Path(self.call.output), jobs)
        return int(self.failed)

    def _rows(self, jobs: list[Job]) -> Iterator[tuple[Job, Json]]:
        """(job, row) as each is done. Not the first in front but the longest, so that none of those is begun last."""
        bar = Bar(len(jobs), sum(job.size for job in jobs))
        order = sorted(jobs, key=lambda job: -job.size) if self.call.output is not None else jobs
        rows: Rows
        if self.call.dask is not None:
            rows = by_cluster(self.call.dask, order, self.judge)
        elif self.count > 1 and len(jobs) > 1:
            rows = by_processes(order, self.judge, self.count)
        else:
            rows = ((job, row_of(job, self.judge)) for job in order)
        bar.draw()
        try:
            for job, row in rows:
                bar.clear()
                yield job, row
                bar.step(job.size)
        finally:
            bar.clear()
            rows.close()

    def _print(self, jobs: list[Job]) -> None:
        """Every verdict, in the order in which the recordings were given, as soon as those before it are there."""
        there: dict[int, Json] = {}
        rows = self._rows(jobs) if jobs else iter(())
        for it in self.found:
            if isinstance(it, JournalError):
                self._fault(str(it))
                continue
            while it.number not in there:
                job, row = next(rows)
                there[job.number] = row
            row = there.pop(it.number)
            if row["trouble"] is not None:
                self._fault(row["trouble"])
                continue
            show(row["verdict"], as_json=self.call.as_json)
            self.failed |= reached(row["verdict"], self.call.fail_on)

    def _fault(self, why: str) -> None:
        print(f"inchwatch judge: {why}", file=sys.stderr)
        self.failed = True

    def _keep(self, result: Path, jobs: list[Job]) -> None:
        """Every row into the result, those that are there already as they are."""
        try:
            kept = Kept(result)
        except BlockingIOError:
            raise BadCall(f"{result}: another run is writing it") from None
        except OSError as error:
            raise BadCall(f"{result}: {error.strerror}") from None
        with kept:
            rows = self._known(result, kept, jobs)
            again = len(rows)
            try:
                for job, row in self._rows([job for job in jobs if job.number not in rows]):
                    kept.add(row)
                    rows[job.number] = row
            except KeyboardInterrupt:
                print(
                    f"inchwatch judge: stopped: {len(rows)} of {len(jobs)} sessions are judged; the same call goes on",
                    file=sys.stderr,
                )
                self.failed = True
                return
            made = [self._made(it, rows) for it in self.found]
            try:
                replaced(result, lambda path: write(path, made))
            except OSError as error:
                self._fault(f"{result}: {error.strerror or error}; what was judged is kept in {kept.path}")
                return
            kept.done()
        self._tell(result, made, again)

    def _known(self, result: Path, kept: Kept, jobs: list[Job]) -> dict[int, Json]:
        """The rows that need not be made again, by the job's number."""
        there: dict[Key, Json] = {}
        if result.exists():
            there |= {key_of(row): row for row in as_rows(result)}
        there |= {key_of(row): row for row in kept.rows}
        usable = {name: row for name, row in there.items() if row["trouble"] is None}
        found: dict[int, Json] = {}
        for job in jobs if usable else ():
            try:
                row = usable.get(key(digest(job.files), self.judge, job.limits))
            except OSError:
                continue  # judging it will say why
            if row is not None:
                found[job.number] = row | {"file": job.files[0], "folder": Path(job.files[0]).parent.name}
        return found

    def _made(self, it: Job | JournalError, rows: dict[int, Json]) -> Json:
        if isinstance(it, Job):
            return rows[it.number]
        file, _, _ = str(it).partition(": ")
        folder = Path(file).resolve().parent.name
        return {
            "file": file,
            "folder": folder,
            "bytes": 0,
            "judge": self.judge,
            "limits": self.limits,
            "trouble": str(it),
        }

    def _tell(self, result: Path, made: list[Json], again: int) -> None:
        """What came of it, and every sentence that somebody should read."""
        _tell_copies(made)
        for row in made:
            damage = None if row["trouble"] else row["verdict"]["damage"]
            if row["trouble"] is not None:
                self._fault(row["trouble"])
            elif damage is not None:
                print(f"inchwatch judge: {row['file']}: {damage}", file=sys.stderr)
        well = [row for row in made if row["trouble"] is None]
        self.failed |= any(reached(row["verdict"], self.call.fail_on) for row in well)
        damaged = sum(row["verdict"]["damage"] is not None for row in well)
        before = f", {again} of them before" if again else ""
        print(
            f"{result}: {len(made)} session{'s' * (len(made) != 1)}, {len(well)} judged{before}, {damaged} of them damaged; "
            f"{len(made) - len(well)} could not be judged"
        )


def _tell_copies(made: list[Json]) -> None:
    """That files are the same bytes: one of them by its name, and how many more. A stick may have brought a whole season again."""
    first: dict[str, str] = {}
    copies = [
        (row["file"], other)
        for row in made
        if (sha256 := row.get("sha256")) and (other := first.setdefault(sha256, row["file"])) != row["file"]
    ]
    if copies:
        (file, other), more = copies[0], len(copies) - 1
        such = f", and {more} more such" if more else ""
        print(
            f"inchwatch judge: {file}: the same bytes as {other}{such}: a row each, one session to inchwatch season",
            file=sys.stderr,
        )


def _count(text: str | None) -> int:
    if text is None:
        return 1
    if text == "all":
        return cores()
    if not text.isdecimal() or not 1 <= int(text) <= 512:
        raise BadCall(f"--workers: found '{text}', allowed is 1 to 512, or all")
    return int(text)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0
