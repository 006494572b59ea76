"""A live session as a command opens and ends it: rig file in, ports named, journal begun, one sentence where it cannot be.

What `run` and `sensors` share, so that a call means the same to both.
"""

from __future__ import annotations

import os
import re
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from drivers.config import Port
from drivers.kinds.mqtt import Broker
from drivers.ports import PortError, beside, redirect
from drivers.serial_place import NOT_TWO, shared
from drivers.units import UnitError, to_si
from monitor.engine.picture import Picture
from monitor.live.hand import Press
from monitor.live.keeping import JournalKeeper
from monitor.live.session import Session
from monitor.rig.load import RigFaults, read_rig_text
from monitor.rig.schema import Link, Rig
from replay.names import SUFFIX
from replay.writer import JournalError, Split

LONGEST_S = 366 * 86_400.0
LEAST_SIZE, LEAST_S = 1_000_000, 60.0
"""What a part of a recording must have room for (bytes, s): a session has 9999 parts at most that sort by their names."""

_SIZES = {"MB": 1e6, "GB": 1e9, "MiB": 2.0**20, "GiB": 2.0**30}
"""Units of a size, in bytes (IEC 80000-13)."""


@dataclass(frozen=True, slots=True)
class Call:
    """What was typed after `inchwatch run` or `inchwatch sensors`."""

    rig: str
    headless: bool = False
    as_json: bool = False
    for_: str | None = None
    ports: list[str] = field(default_factory=list)
    actions: bool = False
    record: str | None = None
    keep: bool = True
    also: str | None = None
    split: str | None = None
    bell: bool = True
    sound: str | None = None
    broker: str | None = None
    serve: str | None = None
    """Where a broker of our own listens: an address, "" the loopback; None where there is none."""
    certificate: str | None = None
    key: str | None = None
    """By which that address is closed (TLS, PEM files)."""


@dataclass(frozen=True, slots=True)
class Opened:
    """A session that may be started on `ports` with `keeper` (None: nothing is kept), to end after `for_s` (None: never).

    `text`: of the rig file, as recordings carry it. `link`: the broker over which others may follow, None without one.
    """

    session: Session
    ports: list[Port]
    keeper: JournalKeeper | None
    for_s: float | None
    text: str
    link: Broker | None = None


class BadCall(ValueError):
    """The call is wrong: exit code 2. The message says what was found and what is allowed."""


class NotOpened(Exception):
    """No session, and why has been said on standard error. `code`: the exit code, 1 for the rig file or journal, 2 the call."""

    def __init__(self, code: int) -> None:
        super().__init__(code)
        self.code = code


def opened(command: str, call: Call, hand: Callable[[Picture], Press | None] | None, *, screen: bool = False) -> Opened:
    """The session that a command is called for, its journal begun and its ports still shut. Raises NotOpened.

    `screen`: it is to be shown on one, which takes a terminal.
    """
    try:
        text = read_rig_text(Path(call.rig))
        rig = text.rig()
        ports = [beside(port, Path(call.rig).absolute().parent) for port in redirected(rig, call.ports)]
        link = link_of(rig, call.broker, Path(call.rig).absolute().parent)
        for_s = duration(call.for_)
        if screen and not on_a_terminal():
            raise BadCall("no terminal on standard output and standard error for the operator's screen: add --headless")
        session = Session(rig, hand=hand)
        keeper = None
        if call.keep:
            session.recording, keeper = kept(call, session, text.text)
    except RigFaults as faults:
        print(faults, file=sys.stderr)
        raise NotOpened(1) from None
    except (BadCall, PortError) as error:
        print(f"inchwatch {command}: {error}", file=sys.stderr)
        raise NotOpened(2) from None
    except JournalError as error:
        print(f"inchwatch {command}: {error}", file=sys.stderr)
        raise NotOpened(1) from None
    return Opened(session, ports, keeper, for_s, text.text, link)


def kept(call: Call, session: Session, text: str) -> tuple[str, JournalKeeper]:
    """(where a session is kept, in words, and what keeps it) as a command is called. Raises BadCall, JournalError."""
    split = split_of(call.split)
    record = record_file(call, session.rig)
    also = also_file(call.also, record) if call.also else None
    keeper = JournalKeeper(record, text, session.rig.rig.name, session.trouble, also=also, split=split)
    return f"recording to {record}{f' and {also}' if also else ''}", keeper


def on_a_terminal() -> bool:
    """Whether a screen can be shown: it is drawn on standard error, and keys answer to standard output's terminal; or it goes
    to a browser (`inchwatch web`)."""
    return "monitor.web" in os.environ.get("TEXTUAL_DRIVER", "") or (sys.stdout.isatty() and sys.stderr.isatty())


def redirected(rig: Rig, overrides: list[str]) -> list[Port]:
    """The rig's ports, with those that `NAME=URL` overrides name found elsewhere. Raises BadCall, PortError.

    PortError also where that puts two of them on one device.
    """
    where = {}
    for override in overrides:
        name, equals, url = override.partition("=")
        names = [port.name for port in rig.port]
        if not equals or not url or name not in names:
            raise BadCall(f"--port: found '{override}', allowed is NAME=URL with NAME one of {', '.join(names)}")
        where[name] = url
    ports = [redirect(port, where[port.name]) if port.name in where else port for port in rig.port]
    for index, place, other in shared(ports):
        found = f"found '{place}', the device of port '{other}'"
        raise PortError(f"port '{ports[index].name}': {found}; allowed is a device of its own: {NOT_TWO}")
    return ports


def link_of(rig: Rig, url: str | None, folder: Path) -> Broker | None:
    """The broker over which others may follow: that of the rig file, at another place where one is given. Raises PortError."""
    link = rig.link.beside(folder) if rig.link is not None else None
    return link if url is None else (link or Link(host="localhost")).at(url, "--broker")


def duration(given: str | None) -> float | None:
    """What `--for` says (s), None where it says nothing. Raises BadCall."""
    if given is None:
        return None
    try:
        seconds = float(given) if re.fullmatch(r"[0-9]{1,9}(\.[0-9]{0,9})?", given) else to_si("time", given)
    except UnitError as error:
        raise BadCall(f"--for: found '{given}', allowed is {error}") from None
    if not 0.0 < seconds <= LONGEST_S:
        raise BadCall(f"--for: found '{given}', allowed is a time above zero, a year at most")
    return seconds


def record_file(call: Call, rig: Rig) -> Path:
    """Where a session is kept: as called, else RIG-DATE-TIME.jsonl here."""
    if call.record:
        return Path(call.record)
    return Path(f"{rig.rig.name}-{datetime.now(UTC):%Y%m%d-%H%M%S}.jsonl")


def also_file(given: str, record: Path) -> Path:
    """The second place of a recording: in a folder under the name of the first, else the file. Raises BadCall."""
    inside = Path(given).is_dir()
    also = Path(given) / record.name if inside else Path(given)
    if not inside and also.suffix != SUFFIX:  # a stick that is not in must not become a file of its name
        raise BadCall(f"--also: found '{given}', allowed is a folder that is there, or a file that ends in {SUFFIX}")
    if also.resolve() == record.resolve():
        raise BadCall(f"--also: found '{given}', where the recording goes already; allowed is another folder or file")
    return also


def split_of(given: str | None) -> Split | None:
    """What `--split` says: a time of a minute or more, a size of a megabyte or more. Raises BadCall."""
    if given is None:
        return None
    bad = BadCall(
        f"--split: found '{given}', allowed is a time from 1 min such as 1h, or a size from 1 MB such as 500MB or '1 GiB' "
        f"({', '.join(_SIZES)})"
    )
    if found := re.fullmatch(rf"([0-9]{{1,9}}(?:\.[0-9]{{1,9}})?)\s*({'|'.join(_SIZES)})", given.strip()):
        size = round(float(found[1]) * _SIZES[found[2]])
        if size < LEAST_SIZE:
            raise bad
        return Split(size)
    try:
        seconds = to_si("time", given)
    except UnitError:
        raise bad from None
    if seconds < LEAST_S:
        raise bad
    return Split(every_ns=round(seconds * 1e9))


@contextmanager
def ended_by_signal(stop: threading.Event) -> Iterator[None]:
    """Ctrl-C and SIGTERM end a session in order."""
    before = {number: signal.signal(number, lambda *_: stop.set()) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def ended(session: Session) -> int:
    """Say what each port has counted; the exit code: 1 if the engine stopped by itself."""
    for name, counts in session.counters().items():
        said = ", ".join(f"{count} {what.replace('_', ' ')}" for what, count in counts.items() if count)
        print(f"{name}: {said or 'nothing heard'}", file=sys.stderr)
    if session.unrecorded:
        print(f"inchwatch: the recording is not as it should be: {session.unrecorded}", file=sys.stderr)
    if session.failure is not None:
        print(f"inchwatch: the engine stopped: {type(session.failure).__name__}: {session.failure}", file=sys.stderr)
        return 1
    return 0


def typed_lines(descriptor: int) -> Iterator[bytes]:
    """Lines as they are typed. Unbuffered: a buffered reader waiting in a thread would be in the way of a clean exit."""
    rest = b""
    while data := os.read(descriptor, 65536):
        *lines, rest = (rest + data).split(b"\n")
        yield from lines
    if rest:
        yield rest
