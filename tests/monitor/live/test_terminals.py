"""A terminal that takes nothing, as at the end of a link that hangs, and one that is taken away: under the real program."""

from __future__ import annotations

import os
import pty
import select
import signal
import socket
import struct
import sys
import termios
import threading
from collections.abc import Callable, Iterator
from fcntl import ioctl
from importlib.resources import files
from pathlib import Path

import pytest

from monitor.debrief.judge import judged
from replay.entries import Action
from replay.recording import read_recording

RIG = str(files("monitor.drill").joinpath("rigs/training-yard.toml"))
KEYS = 200
"""So often the paper is turned, which draws all of the screen again: many times what a pseudo-terminal and Textual keep."""
pytestmark = pytest.mark.wires


class Shown:
    """`inchwatch run` on a terminal of 80 by 24 that is read only when the test says so."""

    def __init__(self, folder: Path) -> None:
        self.recording, self.heard = folder / "it.jsonl", folder / "heard"
        self.wire = socket.create_server(("127.0.0.1", 0))
        self.wire.settimeout(60.0)
        address = f"socket://127.0.0.1:{self.wire.getsockname()[1]}"
        ports = ["--port", f"bench={address}", "--port", f"mast={address}"]
        sound = f"/bin/sh -c 'echo {{rule}} >> {self.heard}'"
        self.child, self.master = pty.fork()
        if self.child == 0:
            os.environ["TERM"] = "xterm-256color"
            call = [
                sys.executable,
                "-m",
                "monitor",
                "run",
                RIG,
                "--record",
                str(self.recording),
                "--sound",
                sound,
                *ports,
            ]
            os.execv(sys.executable, call)
        ioctl(self.master, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self.code: int | None = None

    def read(self, until: bytes) -> None:
        """Read what is written until this is, or fail after a minute."""
        written = b""
        while until not in written:
            assert select.select([self.master], [], [], 60.0)[0], f"{until!r} was never written"
            written += os.read(self.master, 65536)

    def stall(self) -> None:
        """Press keys, each of which draws all of it again, and read nothing."""
        for _ in range(KEYS):
            os.write(self.master, b"t")
            threading.Event().wait(0.02)

    def acted(self, what: str) -> bool:
        """Whether an action stands in the recording."""
        return any(isinstance(it, Action) and it.do == what for it in read_recording(self.recording).lines())

    def sounded(self, what: str) -> bool:
        """Whether a rule was heard."""
        return self.heard.exists() and what in self.heard.read_text().split()

    def ended(self) -> bool:
        """Whether it has ended; then `code` says how."""
        if self.code is None and (found := os.waitpid(self.child, os.WNOHANG))[0]:
            self.code = os.waitstatus_to_exitcode(found[1])
        return self.code is not None

    def threads(self) -> int:
        """How many threads it has."""
        return len(list(Path(f"/proc/{self.child}/task").iterdir()))

    def stopped(self) -> bool:
        """Whether it stands still."""
        return "T (stopped)" in Path(f"/proc/{self.child}/status").read_text()

    def close(self) -> None:
        if not self.ended():
            os.kill(self.child, signal.SIGKILL)
            os.waitpid(self.child, 0)
        self.wire.close()
        for it in {self.master} - {-1}:
            os.close(it)


@pytest.fixture
def shown(tmp_path: Path) -> Iterator[Shown]:
    it = Shown(tmp_path)
    yield it
    it.close()


def test_a_terminal_that_takes_nothing_holds_up_no_alarm_no_sound_and_no_stop(
    shown: Shown, wait_until: Callable[..., None]
):
    clients = [shown.wire.accept()[0] for _ in range(2)]
    shown.read(b"STOP")
    shown.stall()
    for it in (*clients, shown.wire):
        it.close()
    wait_until(lambda: shown.sounded("link-lost"), 30, "the alarm's sound")
    os.write(shown.master, b" ")
    wait_until(lambda: shown.acted("stop"), 30, "STOP")
    wait_until(lambda: shown.sounded("stop-called"), 30, "the sound of STOP")
    shown.read(b"stop-called")  # drawn as soon as it takes something again


@pytest.mark.parametrize("stalled", [False, True])
def test_left_by_its_terminal_it_ends_in_order(shown: Shown, wait_until: Callable[..., None], stalled: bool):
    shown.read(b"STOP")
    if stalled:
        shown.stall()
    os.close(shown.master)  # the terminal goes: its system tells the program
    shown.master = -1
    wait_until(shown.ended, 60, "its end")
    assert shown.code == 0
    assert judged(shown.recording)["complete"]


def test_asked_to_end_it_ends_in_order(shown: Shown, wait_until: Callable[..., None]):
    shown.read(b"STOP")
    os.kill(shown.child, signal.SIGTERM)
    threading.Thread(target=_drain, args=(shown.master,), daemon=True).start()
    wait_until(shown.ended, 60, "its end")
    assert shown.code == 0
    assert judged(shown.recording)["complete"]


def test_asked_to_end_while_its_terminal_takes_nothing_it_waits_a_moment_for_it(
    shown: Shown, wait_until: Callable[..., None]
):
    """A link that is slow for half a second costs the recording no seal."""
    shown.read(b"STOP")
    shown.stall()
    os.kill(shown.child, signal.SIGTERM)
    threading.Event().wait(0.5)
    assert not shown.ended()
    threading.Thread(target=_drain, args=(shown.master,), daemon=True).start()
    wait_until(shown.ended, 60, "its end")
    assert shown.code == 0
    assert judged(shown.recording)["complete"]


def test_asked_to_end_while_its_terminal_never_takes_anything_it_ends(shown: Shown, wait_until: Callable[..., None]):
    shown.read(b"STOP")
    shown.stall()
    os.kill(shown.child, signal.SIGTERM)
    wait_until(shown.ended, 60, "its end")
    assert shown.code == -signal.SIGTERM
    assert judged(shown.recording)["damage"].startswith(("not closed", "torn"))  # readable, as after any kill


@pytest.mark.parametrize("left", [False, True])
def test_going_on_it_begins_with_no_second_reader_of_keys(shown: Shown, wait_until: Callable[..., None], left: bool):
    """One that is never told to end keeps the program alive, now and then, when its terminal is gone."""
    shown.read(b"STOP")
    os.write(shown.master, b" ")
    wait_until(lambda: shown.sounded("stop-called"), 30, "all its threads")
    before = shown.threads()
    if left:
        os.kill(shown.child, signal.SIGTSTP)
        shown.read(b"\x1b[?1049l")  # the terminal is given back
        wait_until(shown.stopped, 30, "its stop")
    os.kill(shown.child, signal.SIGCONT)
    os.write(shown.master, b"a")
    wait_until(lambda: shown.acted("acknowledge"), 30, "the key")
    wait_until(lambda: shown.threads() == before, 10, f"one reader of keys in {before} threads")
    if left:
        shown.read(b"\x1b[?1049h")


def _drain(master: int) -> None:
    try:
        while os.read(master, 65536):
            pass
    except OSError:
        pass
