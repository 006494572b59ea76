"""`kill -9` on the whole program, at twenty random moments: what was sent and what its recording holds."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import socket
import subprocess
import sys
import threading
import time
from importlib.resources import files
from pathlib import Path

import pytest

from drivers import nmea
from drivers.reading import Reading
from monitor.debrief.judge import in_words, judged
from replay.journal import read_journal

RIG = str(files("monitor.drill").joinpath("rigs/training-yard.toml"))
pytestmark = pytest.mark.wires
RUNS_AT_ONCE = 5


class Counter:
    """A serial server that sends a growing number to whoever listens, and remembers when."""

    def __init__(self) -> None:
        self.server = socket.create_server(("127.0.0.1", 0))
        self.server.settimeout(0.01)
        self.url = f"socket://127.0.0.1:{self.server.getsockname()[1]}"
        self.sent_s: list[float] = []
        self._clients: list[socket.socket] = []
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="counter")
        self._thread.start()

    def _run(self) -> None:
        while not self._stopping.is_set():
            with contextlib.suppress(TimeoutError):
                self._clients.append(self.server.accept()[0])
            line = nmea.sentence("II", [nmea.quadruple("H1", "length", len(self.sent_s) * 1e-5)])
            self.sent_s.append(time.monotonic())
            for client in list(self._clients):
                try:
                    client.sendall(line)
                except OSError:
                    self._clients.remove(client)
                    client.close()

    def close(self) -> None:
        self._stopping.set()
        self._thread.join()
        for it in (*self._clients, self.server):
            it.close()


@pytest.fixture
def counter():
    it = Counter()
    yield it
    it.close()


@pytest.mark.fault("killed")
@pytest.mark.parametrize("batch", range(4))
def test_a_killed_run_misses_a_quarter_of_a_second_at_most(
    tmp_path: Path, counter: Counter, wait_until, batch: int, fault
):
    rng = random.Random(batch)
    paths = [tmp_path / f"{i}.jsonl" for i in range(RUNS_AT_ONCE)]
    runs = [
        subprocess.Popen(
            [
                sys.executable,
                "-m",
                "monitor",
                "run",
                RIG,
                "--headless",
                "--json",
                "--record",
                str(path),
                "--port",
                f"bench={counter.url}",
                "--port",
                f"mast={counter.url}",
            ],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        for path in paths
    ]
    try:
        wait_until(
            lambda: all(path.exists() and path.stat().st_size > 20_000 for path in paths), 60.0, "recordings that grow"
        )
        for run, path in zip(runs, paths, strict=True):
            threading.Event().wait(rng.uniform(0.05, 0.8))
            os.kill(run.pid, signal.SIGKILL)
            killed_s = time.monotonic()
            run.wait()
            journal = read_journal(path)
            numbers = [
                round(it.value * 1e5) for it in journal.lines() if isinstance(it, Reading) and it.channel == "H1"
            ]
            assert journal.damage is not None
            assert journal.damage.startswith(("not closed", "torn"))
            assert numbers == list(range(numbers[0], numbers[-1] + 1)), "nothing is missing in between"
            last_sent = max(i for i, sent_s in enumerate(list(counter.sent_s)) if sent_s <= killed_s)
            missing_s = counter.sent_s[last_sent] - counter.sent_s[min(numbers[-1] + 1, last_sent)]
            assert missing_s <= 0.25
            fault.lost_s(missing_s)
        fault.printed(in_words(judged(path)))
    finally:
        for run in runs:
            run.kill()
            run.wait()
