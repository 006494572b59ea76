"""Writes a journal while a session runs. The one who hands entries over never waits for the disk.

Entries go to memory at once; one thread writes them out ten times a second, another asks the system twice a second to put
them on the disk, so that a slow disk delays no write and a write no reading. `kill -9` loses what one tenth of a second
brought. What cannot be written is kept, up to a bound, tried again, and told.
"""

from __future__ import annotations

import hashlib
import os
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from replay.codec import AlarmLine, Header, alarm_line, end_line, entry_line, gap_line, header_line, seal_line
from replay.entries import Entry

WRITE_EVERY_S = 0.1
SYNC_EVERY_S = 0.5
SEAL_EVERY_NS = 1_000_000_000
KEPT_AT_MOST = 64 * 1024 * 1024
"""Bytes kept in memory while nothing can be written: ten minutes of a busy rig. What comes after that is lost, and a gap
line says how much."""

Trouble = Callable[[bool, str], None]


class JournalError(Exception):
    """A journal that cannot be begun or read. One sentence: where, what was found, what is allowed."""


class JournalWriter:
    """One session's journal. `on_trouble(True, sentence)` when nothing can be kept, `(False, ...)` when it can again.

    Raises JournalError when the file exists already or cannot be made.
    """

    def __init__(self, path: Path, header: Header, on_trouble: Trouble) -> None:
        self.path = path
        self._on_trouble = on_trouble
        try:
            self._file = os.open(
                path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | getattr(os, "O_CLOEXEC", 0), 0o644
            )
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
        self._size = 0
        self._hash = hashlib.sha256()
        self._lines = 0
        self._sealed_ns = 0
        self._last_ns = 0
        self._lost = 0
        self._troubles: dict[str, str] = {}
        self._closing = threading.Event()
        self._append(header_line(header))
        self._threads = [
            threading.Thread(target=self._write_on, name="journal", daemon=True),
            threading.Thread(target=self._sync_on, name="journal-sync", daemon=True),
        ]
        self._write_out()  # a session killed in its first moment still says what it was
        for thread in self._threads:
            thread.start()

    def write(self, entry: Entry) -> None:
        """Keep one entry. Returns at once."""
        line = entry_line(entry)
        with self._lock:
            self._last_ns = max(self._last_ns, entry.time_ns)
            if self._size > KEPT_AT_MOST:
                self._lost += 1
                return
            if self._lost:
                self._append(gap_line(entry.time_ns, self._lost))
                self._lost = 0
            if self._last_ns - self._sealed_ns >= SEAL_EVERY_NS:
                self._seal()
            self._append(line)

    def alarm(self, time_ns: int, alarm: dict[str, Any]) -> None:
        """Keep one alarm transition that the entry before it caused. Returns at once."""
        line = alarm_line(AlarmLine(time_ns, alarm))
        with self._lock:
            if self._size <= KEPT_AT_MOST:
                self._append(line)

    def close(self) -> None:
        """Write what is left, mark the end, seal it, put it on the disk. Safe to call twice."""
        with self._lock:
            if self._closing.is_set():
                return
            self._closing.set()
            self._append(end_line(self._last_ns))
            self._seal()
        for thread in self._threads:
            thread.join()
        self._write_out()
        self._sync()
        os.close(self._file)

    def _append(self, line: bytes) -> None:
        self._waiting.append(line)
        self._size += len(line)
        self._hash.update(line)
        self._lines += 1

    def _seal(self) -> None:
        self._sealed_ns = self._last_ns
        self._append(seal_line(self._last_ns, self._lines, self._hash))

    def _write_on(self) -> None:
        while not self._closing.wait(WRITE_EVERY_S):
            self._write_out()

    def _sync_on(self) -> None:
        while not self._closing.wait(SYNC_EVERY_S):
            self._sync()

    def _write_out(self) -> None:
        with self._lock:
            lines, self._waiting = self._waiting, []
        data = b"".join(lines)
        trouble = ""
        try:
            while data:
                data = data[os.write(self._file, data) :]
            if self._gone():
                trouble = f"{self.path} was deleted or moved: what is recorded now is lost with it"
        except OSError as error:
            trouble = f"{self.path}: cannot record: {error.strerror}"
        with self._lock:
            if data:
                self._waiting.insert(0, data)
            self._size = sum(len(line) for line in self._waiting)
        self._tell("write", trouble)

    def _gone(self) -> bool:
        try:
            there = os.stat(self.path)
        except OSError:
            return True
        here = os.fstat(self._file)
        return (there.st_ino, there.st_dev) != (here.st_ino, here.st_dev)

    def _sync(self) -> None:
        trouble = ""
        try:
            getattr(os, "fdatasync", os.fsync)(self._file)
        except OSError as error:
            trouble = f"{self.path}: cannot put the recording on the disk: {error.strerror}"
        self._tell("sync", trouble)

    def _tell(self, who: str, trouble: str) -> None:
        """Say aloud when trouble begins and when the last of it is over; once each."""
        with self._lock:
            before = bool(self._troubles)
            if trouble:
                self._troubles[who] = trouble
            else:
                self._troubles.pop(who, None)
            after = bool(self._troubles)
        if before != after:
            self._on_trouble(after, trouble or f"{self.path}: recording again")
