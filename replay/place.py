"""One place where a session is kept: a file, and those that it goes on in. Who hands lines over never waits for the disk.

Lines go to memory at once; one thread writes them out ten times a second, another asks the system twice a second to put
them on the disk, so that a slow disk delays no write and a write no reading. `kill -9` loses what one tenth of a second
brought. What cannot be written is kept, up to a bound, tried again, and told; past the bound a gap line says what is lost.

The file of the next part is opened before this one ends. Where that cannot be, the session stays in the file it has.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from replay.codec import Gap, Header, JournalError, digest_of, end_line, gap_line, header_line, on_line, seal_line
from replay.names import again_paths, part_path

WRITE_EVERY_S = 0.1
SYNC_EVERY_S = 0.5
SEAL_EVERY_NS = 1_000_000_000
KEPT_AT_MOST = 64 * 1024 * 1024
"""Bytes kept in memory while nothing can be written: nineteen minutes of 40 channels at 20 Hz. Readings and ticks that come
after that are lost."""
DEAR_AT_MOST = 8 * 1024 * 1024
"""Bytes beyond that bound for what people did, what the world outside said, and alarms: there is little of it."""
SLOW_WRITE_S, SLOW_SYNC_S = 0.5, 5.0
"""How long the disk may take over a write before it is told, and over putting what was written on the disk."""
TOLD_S = 1.0
"""Trouble stands at least this long, so that nobody misses what was over at once."""
RETRY_S = 1.0
_RUN = 512
"""Lines that are joined while they wait: each by itself holds the kilobytes of the buffer that it was made in."""
_MIB = 1024 * 1024
_FLAGS = os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_APPEND | getattr(os, "O_CLOEXEC", 0)


@dataclass(frozen=True, slots=True)
class Split:
    """When a session goes on in another file: past so many bytes, or after so long (ns; None: never)."""

    size: int = 1024 * _MIB
    """Five hours of 40 channels at 20 Hz, and a quarter of what a FAT32 stick takes in one file."""
    every_ns: int | None = None


class Place:
    """The files of one place. `changed` is called, on any thread, whenever `trouble()` may say something else.

    `label` is what it is called where there are two. Sentences are short: an alarm has one line. Raises JournalError when
    the first file is there already or cannot be made.
    """

    def __init__(self, path: Path, header: Header, split: Split, label: str, changed: Callable[[], None]) -> None:
        self.path = path
        self.label = label
        self._first, self._header, self._split, self._changed = path, header, split, changed
        try:
            self._file = os.open(path, _FLAGS, 0o644)
        except FileExistsError:
            raise JournalError(
                f"{path}: is there already, and a recording is never written over; name another"
            ) from None
        except OSError as error:
            raise JournalError(
                f"{path}: cannot record there: {error.strerror}; name another place, or keep nothing"
            ) from None
        self._lock = threading.Lock()
        self._waiting: list[bytes] = []
        self._full: list[list[bytes] | tuple[int, Path]] = []
        """What is to be written before `_waiting`: lines, and the files that what comes after them goes into."""
        self._next: tuple[int, Path] | None = None
        self._size = 0
        """Bytes handed over and not yet written."""
        self._front: deque[memoryview | tuple[int, Path]] = deque()
        self._retired: list[int] = []
        self._gone_times = 0
        self._finished: list[Path] = []
        """The files of the parts before this one. They are closed: what happens to them can be told, and not mended."""
        self._hash = hashlib.sha256()
        self._lines = self._bytes = self._sealed_ns = self._last_ns = 0
        self._gap: Gap | None = None
        self._troubles: dict[str, tuple[str, bool]] = {}
        self._told_until_s: dict[str, float] = {}
        self._retry_s = {"anew": 0.0, "part": 0.0, "back": 0.0}
        self._writing_since_s: float | None = None
        self._syncing_since_s: float | None = None
        self._closing = threading.Event()
        self._append(header_line(header))
        self._writer = threading.Thread(target=self._write_on, name="journal", daemon=True)
        self._syncer = threading.Thread(target=self._sync_on, name="journal-sync", daemon=True)

    def start(self) -> None:
        """Write the header: a session killed in its first moment still says what it was. Then go on by itself."""
        self._write_out()
        self._writer.start()
        self._syncer.start()

    def discard(self) -> None:
        """Leave nothing behind of a place that was not started."""
        os.close(self._file)
        self.path.unlink(missing_ok=True)

    def put(self, time_ns: int, line: bytes, *, dear: bool = False, alarm: bool = False) -> None:
        """Keep one line: an entry's, or an alarm's. Returns at once. `dear`: not to be lost before readings are."""
        with self._lock:
            self._last_ns = max(self._last_ns, time_ns)
            if self._size > KEPT_AT_MOST and not (dear and self._size <= KEPT_AT_MOST + DEAR_AT_MOST):
                it = self._gap or Gap(0, 0, time_ns, time_ns)
                self._gap = Gap(it.lost + (not alarm), it.alarms + alarm, it.from_ns, time_ns)
                return
            self._say_what_is_lost()
            if not alarm:  # it stays with the tick that caused it
                if self._next is not None and self._due(0, 0):
                    self._turn(self._next)
                elif self._last_ns - self._sealed_ns >= SEAL_EVERY_NS:
                    self._seal()
            self._append(line)

    def finish(self) -> None:
        """Mark the end and seal it; the rest is written, put on the disk and closed by itself. Safe to call twice."""
        with self._lock:
            if not self._closing.is_set():
                self._say_what_is_lost()
                self._append(end_line(self._last_ns))
                self._seal()
                self._closing.set()

    def join(self, deadline_s: float) -> None:
        """Wait until all is closed, at most to a time of the monotonic clock (s), and tell what is not."""
        self._writer.join(max(0.0, deadline_s - time.monotonic()))
        if self._writer.is_alive():
            self._say("end", "not finished: the disk does not answer", fails=True)
        elif self._size:
            self._say("end", f"{self._size} bytes could not be written and are lost", fails=True)

    def look(self) -> None:
        """See whether the disk keeps its threads waiting. Returns at once."""
        now_s = time.monotonic()
        slow = (since := self._writing_since_s) is not None and now_s - since > SLOW_WRITE_S
        self._say("slow", "the disk does not answer" if slow else "", fails=True)
        slow = (since := self._syncing_since_s) is not None and now_s - since > SLOW_SYNC_S
        self._say("late", f"not on the disk for {SLOW_SYNC_S:g} s" if slow else "")

    def trouble(self) -> tuple[str, bool]:
        """What is wrong, in one sentence or none, and whether nothing reaches the file meanwhile."""
        with self._lock:
            troubles = list(self._troubles.values())
        return "; ".join(text for text, _ in troubles), any(fails for _, fails in troubles)

    def _say(self, who: str, text: str, *, fails: bool = False) -> None:
        """What `who` has to say now; nothing: its trouble is over. What was just told stands for a moment."""
        with self._lock:
            now_s, before = time.monotonic(), self._troubles.get(who)
            if before == ((text, fails) if text else None):
                return
            if text:
                self._told_until_s[who] = now_s + TOLD_S
                self._troubles[who] = text, fails
            elif now_s >= self._told_until_s[who] or self._closing.is_set():
                del self._troubles[who]
            else:
                return
        self._changed()

    # The stream of lines: all of it under the lock.

    def _append(self, line: bytes) -> None:
        self._waiting.append(line)
        self._size += len(line)
        self._bytes += len(line)
        self._hash.update(line)
        self._lines += 1
        if len(self._waiting) == _RUN:
            self._full.append([b"".join(self._waiting)])
            self._waiting = []

    def _seal(self) -> bytes:
        self._sealed_ns = self._last_ns
        line = seal_line(self._last_ns, self._lines, self._hash)
        self._append(line)
        return line

    def _say_what_is_lost(self) -> None:
        if self._gap is not None:
            self._append(gap_line(self._last_ns, self._gap))
            self._gap = None

    def _due(self, bytes_ahead: int, ns_ahead: int) -> bool:
        every_ns = self._split.every_ns
        return self._bytes + bytes_ahead >= self._split.size or (
            every_ns is not None and self._last_ns + ns_ahead - self._header.from_ns >= every_ns
        )

    def _turn(self, following: tuple[int, Path]) -> None:
        """Go on in the next part's file."""
        self._append(on_line(self._last_ns, self._header.part + 1))
        digest = digest_of(self._seal())
        self._full += [self._waiting, following]
        self._waiting, self._next = [], None
        self._hash, self._lines, self._bytes = hashlib.sha256(), 0, 0
        self._header = replace(self._header, part=self._header.part + 1, before=digest, from_ns=self._last_ns)
        self._append(header_line(self._header))

    # The disk: the writing thread, but for the syncing one's two methods.

    def _write_on(self) -> None:
        while not self._closing.wait(WRITE_EVERY_S):
            self._write_out()
        self._write_out()
        self._syncer.join()
        self._sync()
        os.close(self._file)
        if self._next is not None:  # opened, and not come to
            os.close(self._next[0])
            with contextlib.suppress(OSError):
                self._next[1].unlink()

    def _write_out(self) -> None:
        with self._lock:
            full, self._full = [*self._full, self._waiting], []
            self._waiting = []
        self._front += [memoryview(b"".join(it)) if isinstance(it, list) else it for it in full if it]
        trouble = ""
        self._writing_since_s = time.monotonic()
        try:
            self._write_front()
        except OSError as error:
            trouble = f"not kept: {error.strerror}"
        self._say("write", trouble, fails=True)
        if not self._gone():
            self._say("gone", "")
        elif time.monotonic() >= self._retry_s["anew"] or self._closing.is_set():
            self._write_anew()
        self._open_ahead()
        self._look_back()
        self._writing_since_s = None

    def _write_front(self) -> None:
        while self._front:
            it = self._front[0]
            if isinstance(it, tuple):
                self._finished.append(self.path)
                self._change_to(*it)
            else:
                written = os.write(self._file, it)
                with self._lock:
                    self._size -= written
                if written < len(it):
                    self._front[0] = it[written:]
                    continue
            self._front.popleft()

    def _change_to(self, file: int, path: Path) -> None:
        self._retired.append(self._file)  # the other thread may be at it, and closes it
        self._file, self.path = file, path

    def _open_ahead(self) -> None:
        with self._lock:
            due = self._next is None and self._due(min(self._split.size // 2, 4 * _MIB), 10_000_000_000)
        if not due or self._closing.is_set() or time.monotonic() < self._retry_s["part"]:
            return
        path = part_path(self._first, self._header.part + 1)
        try:
            following = os.open(path, _FLAGS, 0o644), path
        except OSError as error:
            self._retry_s["part"] = time.monotonic() + RETRY_S
            self._say("part", f"no next file, goes on in this one: {error.strerror}")
            return
        with self._lock:
            self._next = following
        self._say("part", "")

    def _look_back(self) -> None:
        """Once a second, see whether the parts before this one are still there."""
        if time.monotonic() < self._retry_s["back"]:
            return
        self._retry_s["back"] = time.monotonic() + RETRY_S
        gone = [it.name for it in self._finished if not it.exists()]
        more = f" and {len(gone) - 1} more" if len(gone) > 1 else ""
        self._say("back", f"{gone[0]}{more} deleted or moved" if gone else "")

    def _gone(self) -> bool:
        try:
            there = os.stat(self.path)
        except OSError:
            return True
        here = os.fstat(self._file)
        return (there.st_ino, there.st_dev) != (here.st_ino, here.st_dev)

    def _write_anew(self) -> None:
        """Copy the whole file, which is still open, to where it was or beside that, and go on there."""
        if "gone" not in self._troubles:
            self._say("gone", "file gone", fails=True)
        try:
            path, file = _first_free(self.path)
            try:
                _copy(self._file, file)
            except OSError:
                os.close(file)
                path.unlink()
                raise
        except OSError as error:
            self._retry_s["anew"] = time.monotonic() + RETRY_S
            self._say("gone", f"file gone, not written anew: {error.strerror}", fails=True)
        else:
            self._change_to(file, path)
            self._gone_times += 1  # said, so that one that is gone again at once is told again
            often = f" {self._gone_times} times" if self._gone_times > 1 else ""
            self._say("gone", f"file gone{often}, written anew: {path.name}")

    def _sync_on(self) -> None:
        while not self._closing.wait(SYNC_EVERY_S):
            self._sync()

    def _sync(self) -> None:
        self._syncing_since_s = time.monotonic()
        try:
            while self._retired:
                file = self._retired.pop(0)
                try:
                    _put_on_disk(file)
                finally:
                    os.close(file)
            _put_on_disk(self._file)
        except (
            OSError
        ) as error:  # what the system could not write it forgets, and says so once: this is never well again
            self._say("sync", f"not all of it is on the disk: {error.strerror}", fails=True)
        self._syncing_since_s = None


def _put_on_disk(file: int) -> None:
    getattr(os, "fdatasync", os.fsync)(file)


def _first_free(path: Path) -> tuple[Path, int]:
    for it in again_paths(path):
        with contextlib.suppress(FileExistsError):
            return it, os.open(it, _FLAGS, 0o644)
    raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST))


def _copy(source: int, target: int) -> None:
    at = 0
    while data := os.pread(source, _MIB, at):
        at += len(data)
        while data:
            data = data[os.write(target, data) :]
