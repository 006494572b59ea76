"""What every test may lean on: a real broker, and the rule that no thread dies unheard or is left behind."""

from __future__ import annotations

import contextlib
import gc
import getpass
import os
import shutil
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import hypothesis
import pytest

from drivers import units
from monitor import cli

from . import once
from .faults import rows
from .screen import Shown

hypothesis.settings.register_profile("untimed", deadline=None, suppress_health_check=[hypothesis.HealthCheck.too_slow])
hypothesis.settings.load_profile("untimed")  # how long an example takes says how busy the computer is

OURS = ("port:", "engine", "journal", "drill", "headless", "actions", "sound", "replay")


def pytest_configure(config: pytest.Config) -> None:
    once.begin(config)
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:  # as a shell starts what runs in the background
        signal.signal(signal.SIGINT, signal.default_int_handler)  # else all that is started here would ignore it, too


def pytest_xdist_auto_num_workers() -> int:
    """One worker more than there are cores: those that wait for a wire leave theirs to the others."""
    return len(os.sched_getaffinity(0)) + 1


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What waits in real time comes first, all with one worker, so that no core idles at the end."""
    items.sort(key=lambda item: item.get_closest_marker("wires") is None)


def pytest_collection_finish() -> None:
    """What every worker pays once is paid before its first test, whichever that is: a property's first example has a deadline.

    What is there by now stays, and pictures go without a collector: it need not walk through all of it again and again.
    """
    units.linear("length", "m")
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000)


FAULTS = pytest.StashKey[dict[str, Shown]]()


@pytest.fixture
def faults(request: pytest.FixtureRequest) -> dict[str, Shown]:
    """The rows of the fault matrix that this test shows, by id: those it is marked with."""
    table = {row.id: row for row in rows()}
    shown = {mark.args[0]: Shown(table[mark.args[0]]) for mark in request.node.iter_markers("fault")}
    request.node.stash[FAULTS] = shown
    return shown


@pytest.fixture
def fault(faults: dict[str, Shown]) -> Shown:
    """The one row that this test shows."""
    (one,) = faults.values()
    return one


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item: pytest.Item) -> Iterator[None]:
    """A test that is marked with a row holds all that the row says against what it found."""
    yield
    shown = item.stash.get(FAULTS, {})
    assert set(shown) == {mark.args[0] for mark in item.iter_markers("fault")}
    for it in shown.values():
        it.checked()


def wait_until(true: Callable[[], object], seconds: float = 10.0, what: str = "it") -> None:
    """Return as soon as a condition holds; fail when the deadline has passed."""
    deadline = time.monotonic() + seconds
    while not true():
        if time.monotonic() > deadline:
            pytest.fail(f"{what} did not come about within {seconds:g} s")
        threading.Event().wait(0.01)


@pytest.fixture(name="wait_until")
def wait_until_fixture() -> Callable[..., None]:
    return wait_until


@contextlib.contextmanager
def at_most(seconds: float, what: str = "it") -> Iterator[None]:
    """Fail where a thing takes longer than this, what the computer withheld not counted: by how much a thread that asked to go
    on after a hundredth of a second came late."""
    withheld, over = 0.0, threading.Event()

    def watch() -> None:
        nonlocal withheld
        asked = time.monotonic()
        while not over.wait(0.01):
            came = time.monotonic()
            withheld, asked = withheld + max(0.0, came - asked - 0.02), came

    watching = threading.Thread(target=watch, name="stopwatch")
    watching.start()
    begun = time.monotonic()
    try:
        yield
    finally:
        took = time.monotonic() - begun
        over.set()
        watching.join()
    assert took - withheld < seconds, f"{what} took {took:.2f} s, of which the computer withheld {withheld:.2f} s"


@pytest.fixture(name="at_most")
def at_most_fixture() -> Callable[..., contextlib.AbstractContextManager[None]]:
    return at_most


@dataclass(frozen=True)
class Ended:
    """How a command ended, and what it said."""

    code: int
    out: str
    err: str


@pytest.fixture
def typed(capfd: pytest.CaptureFixture[str]) -> Callable[..., Ended]:
    """A command line of ours, run here and not in a process of its own, which would start for half a second each time."""

    def run(*args: str) -> Ended:
        capfd.readouterr()
        try:
            code = cli.main(args)
        except SystemExit as ended:  # argparse leaves this way
            code = int(ended.code or 0)
        return Ended(code, *capfd.readouterr())

    return run


@pytest.fixture(autouse=True)
def no_thread_dies_or_stays(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """An exception that ends a thread, and a thread of ours that outlives its test, are failures."""
    died: list[str] = []
    monkeypatch.setattr(threading, "excepthook", lambda args: died.append(f"{args.thread}: {args.exc_value!r}"))
    before = set(threading.enumerate())
    yield
    assert not died, died
    left = [t.name for t in set(threading.enumerate()) - before if t.name.startswith(OURS) and t.is_alive()]
    assert not left, f"threads left behind: {left}"


OPEN = "allow_anonymous true\nmax_queued_messages 0\n"
"""A broker for everybody."""


class Broker:
    """A real mosquitto on a free port of the loopback. It runs in `folder`, from where the files it is told of are found."""

    def __init__(self, program: str, folder: Path, more: str = OPEN) -> None:
        self.host, self.port = "127.0.0.1", free_port()
        self._program, self._folder, self._config = program, folder, folder / "mosquitto.conf"
        self.configure(more)
        self._process: subprocess.Popen[bytes] | None = None

    def configure(self, more: str) -> None:
        """Its configuration at its next start, beside where it listens."""
        self.write(f"user {getpass.getuser()}\nlistener {self.port} {self.host}\n{more}persistence false\n")

    def write(self, text: str) -> None:
        """Its whole configuration at its next start."""
        self._config.write_text(text)

    @property
    def url(self) -> str:
        return f"mqtt://{self.host}:{self.port}"

    def start(self) -> None:
        self._process = subprocess.Popen(
            [self._program, "-c", str(self._config)],
            cwd=self._folder,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        wait_until(self._answers, what="mosquitto")

    def stop(self) -> None:
        if self._process is not None:
            self.stall(False)  # one that stands still would not end
            self._process.terminate()
            try:
                self._process.wait(10.0)
            except subprocess.TimeoutExpired:  # seen once: mosquitto 2.0.11 did not heed it
                self._process.kill()
                self._process.wait()
            self._process = None

    def stall(self, still: bool) -> None:
        """Stand still, its wires open, as a network does that hands everything over later; or go on."""
        assert self._process is not None, "only a broker that runs can stand still"
        self._process.send_signal(signal.SIGSTOP if still else signal.SIGCONT)

    def _answers(self) -> bool:
        try:
            socket.create_connection((self.host, self.port), 1.0).close()
        except OSError:
            return False
        return True


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture
def mute() -> Iterator[int]:
    """A port of the loopback that neither answers nor refuses, like a computer that is switched off: its queue is full."""
    with contextlib.ExitStack() as held:
        server = held.enter_context(socket.socket())
        server.bind(("127.0.0.1", 0))
        server.listen(0)
        for _ in range(3):
            caller = held.enter_context(socket.socket())
            caller.setblocking(False)
            caller.connect_ex(server.getsockname())
        yield int(server.getsockname()[1])


@pytest.fixture
def any_broker(tmp_path: Path) -> Iterator[Callable[..., Broker]]:
    """Makes brokers with a configuration of their own, that run until the test ends."""
    made: list[Broker] = []

    def make(more: str = OPEN) -> Broker:
        it = Broker(_mosquitto(), tmp_path, more)
        made.append(it)
        it.start()
        return it

    yield make
    for it in made:
        it.stop()


@pytest.fixture
def broker(any_broker: Callable[..., Broker]) -> Broker:
    """A broker that runs; it can be stopped and started again on the same port."""
    return any_broker()


def _mosquitto() -> str:
    program = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
    if program is None:
        pytest.skip("no mosquitto on this machine: the broker's part is not tested")
    return program
