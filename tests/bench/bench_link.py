"""How fast the link is, how much it says and what it costs: a drill on real wires, a mosquitto on the loopback, followers in
processes of their own.

python tests/bench/bench_link.py [SECONDS]    (20 unless said, for each of eighteen looks at the ticks; the rest: two minutes)

An alarm is raised by a STOP called at the operator's monitor, every 0.2 to 0.4 s; it counts from the moment the engine hands out
the picture that holds it to the moment a follower in another process has read that picture. A STOP's round trip counts from
the call at a follower to the moment that follower knows it is confirmed. Both read the one monotonic clock of this computer.
The engine's ticks are looked at by turns with nobody following, with eight followers, and with eight of which one stands still
(SIGSTOP): the same session throughout, so that neither the session nor the hour makes the difference. Followers run at the lowest
priority (nice 19): elsewhere they would have a computer of their own.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import ExitStack
from importlib.resources import files
from itertools import pairwise
from pathlib import Path

from drivers.kinds.mqtt import Broker
from drivers.ports import redirect
from monitor import encode
from monitor.engine.engine import Engine
from monitor.engine.picture import Picture
from monitor.link import wire
from monitor.link.announcer import Announcer, Watched
from monitor.link.follower import Follower
from monitor.live.session import Session
from monitor.rig.load import parse_rig
from monitor.rig.schema import Rig
from replay.entries import Tick

RIG = "yard-panel"
TEXT = files("monitor.drill").joinpath(f"rigs/{RIG}.toml").read_text(encoding="utf-8")
ALARMS, CALLS, FOLLOWERS, ROUNDS = 200, 100, 8, 3


def pause(seconds: float) -> None:
    threading.Event().wait(seconds)


class Clocked(Follower):
    """A follower that says when it has read what."""

    stop_s = 0.0
    seen: str | None = None

    def took(self, message) -> None:
        super().took(message)
        picture, it = self.picture, self._stop_call
        if picture is not None and (said := picture.stop_called or "") != self.seen:
            self.seen = said
            print(json.dumps({"stop": said, "at": time.monotonic()}), flush=True)
        if it is not None and it.confirmed and self.stop_s:
            print(json.dumps({"round": time.monotonic() - self.stop_s}), flush=True)
            self.stop_s = 0.0


def follow(port: int) -> None:
    """The far process: follows, and calls STOP for each line on standard input."""
    it = Clocked(Broker(host="127.0.0.1", port=port), RIG, "bench")
    it.start()
    for line in sys.stdin:
        it.stop_s = time.monotonic()
        it.send("stop", reason=line.strip())
    it.stop()


class Far:
    """A process that follows."""

    def __init__(self, port: int, nice: int = 0) -> None:
        self.process = subprocess.Popen(
            ["nice", "-n", str(nice), sys.executable, __file__, "--follow", str(port)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1,
        )  # fmt: skip
        self.said: list[dict] = []
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        for line in self.process.stdout:
            self.said.append(json.loads(line))

    def stop(self, reason: str) -> None:
        self.process.stdin.write(reason + "\n")

    def end(self) -> None:
        self.process.send_signal(signal.SIGCONT)
        self.process.kill()
        self.process.wait()


class Bench:
    """A session on a drill's wires, announced or not."""

    def __init__(self, port: int, ports: dict[str, str], announced: bool) -> None:
        self.rig = parse_rig(TEXT)
        self.session = Session(self.rig)
        self.ticks: list[float] = []
        self.raised: dict[str, float] = {}
        self.announcer = None
        if announced:
            watched = Watched(RIG, TEXT, "bench", self.session.wall_start_s, "not recording")
            self.announcer = Announcer(
                Broker(host="127.0.0.1", port=port),
                watched,
                self.session.clock,
                lambda by, reason: self.session.send_as(by, "stop", reason=reason),
            )
            self.announcer.start()
        self.session.on_picture = self.take
        self.session.start([redirect(it, ports[it.name]) for it in self.rig.port])

    def take(self, picture: Picture) -> None:
        now = time.monotonic()
        self.ticks.append(now)
        if picture.stop_called:
            self.raised.setdefault(picture.stop_called, now)
        if self.announcer is not None:
            self.announcer.take(picture)

    def clear(self) -> None:
        self.session.send("clear-stop")
        while self.session.latest() is None or self.session.latest().stop_called:
            pause(0.005)

    def end(self) -> None:
        self.session.stop()
        if self.announcer is not None:
            self.announcer.stop()


def percent(values: list[float], share: float) -> float:
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, round(share * (len(ordered) - 1)))]


def told(what: str, values: list[float]) -> None:
    p50, p99 = (1e3 * percent(values, share) for share in (0.5, 0.99))
    print(f"{what}: p50 {p50:.0f} ms, p99 {p99:.0f} ms, most {1e3 * max(values):.0f} ms of {len(values)}", flush=True)


def delays(port: int, ports: dict[str, str]) -> None:
    it, far, rng = Bench(port, ports, announced=True), Far(port), random.Random(1)
    try:
        it.session.send("stop", reason="first")
        while not far.said:
            pause(0.05)
        it.clear()
        thread = next(t for t in threading.enumerate() if t.name == "port:link")
        clock = time.pthread_getcpuclockid(thread.ident)
        begun, cpu, whole = time.monotonic(), time.clock_gettime(clock), time.process_time()
        pause(20.0)
        took = time.monotonic() - begun
        cpu, whole = time.clock_gettime(clock) - cpu, time.process_time() - whole
        print(f"announcer: {100 * cpu / took:.1f} % of a core, of {100 * whole / took:.1f} % for the whole monitor")
        for i in range(ALARMS):
            it.session.send("stop", reason=f"alarm {i}")
            pause(rng.uniform(0.1, 0.2))
            it.clear()
            pause(rng.uniform(0.1, 0.2))
        pause(2.0)
        read = {said["stop"]: said["at"] for said in far.said if said.get("stop")}
        ways = [read[stop] - at for stop, at in it.raised.items() if stop in read and "alarm" in stop]
        told("alarm raised in the engine to its picture read at a follower", ways)
        print(f"  {ALARMS - len(ways)} alarms never seen there")
        for i in range(CALLS):
            far.stop(f"call {i}")
            while sum("round" in said for said in far.said) <= i:
                pause(0.005)
            it.clear()
            pause(rng.uniform(0.1, 0.2))
        told("STOP at a follower to its confirmation there", [said["round"] for said in far.said if "round" in said])
    finally:
        far.end()
        it.end()


STATES = ("nobody follows", f"{FOLLOWERS} follow", f"{FOLLOWERS} follow and one of them stands still")


def jitter(port: int, ports: dict[str, str], seconds: float) -> dict[str, list[float]]:
    """How far each tick was from 50 ms after the one before (s), in each state: one session, which is looked at in each by turns,
    there and back."""
    it = Bench(port, ports, announced=True)
    off: dict[str, list[float]] = {state: [] for state in STATES}
    try:
        pause(2.0)
        for turn in range(2 * ROUNDS):
            for state in STATES if turn % 2 == 0 else reversed(STATES):
                fars = [Far(port, 19) for _ in range(FOLLOWERS)] if state is not STATES[0] else []
                try:
                    while not all(far.said for far in fars):
                        pause(0.1)
                    if state is STATES[2]:
                        os.kill(fars[0].process.pid, signal.SIGSTOP)
                    pause(2.0)
                    it.ticks.clear()
                    pause(seconds)
                    ticks = list(it.ticks)
                finally:
                    for far in fars:
                        far.end()
                off[state] += [abs(b - a - 0.05) for a, b in pairwise(ticks)]
                pause(1.0)
    finally:
        it.end()
    return off


def size(rig: Rig) -> int:
    """Bytes of a picture's message, of a rig that has heard nothing yet."""
    picture = Engine(rig).feed(Tick(0))
    said = {"session": "0" * 16, "link": 1, "beat": 1_000_000, "sent": 1000.0, "calls": ["0" * 12] * wire.CALLS}
    return len(wire.encode(said | encode.picture(picture)))


def with_channels(most: int) -> str:
    """The example rig with shores added until it has so many channels: invented."""
    text, count = TEXT, len(parse_rig(TEXT).channel)
    for i in range(3, 100):
        if count + 2 > most:
            break
        count += 2
        text += f"""
[[shore]]
name = "N{i}"
at = ["1 m", "0.{i:02d} m"]
extension = "N{i}-ext"
pressure = "N{i}-p"
follow_pressure = "1.8 bar"
piston_area = "28 cm^2"
[[channel]]
name = "N{i}-ext"
quantity = "length"
source = {{ port = "bench", id = "N{i}E" }}
[[channel]]
name = "N{i}-p"
quantity = "pressure"
source = {{ port = "bench", id = "N{i}P" }}
"""
    return text


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def main(seconds: float) -> None:
    for rig in (parse_rig(TEXT), parse_rig(with_channels(40))):
        print(f"a picture of {len(rig.channel)} channels, nothing heard yet: {size(rig)} bytes", flush=True)
    port = free_port()
    with ExitStack() as held:
        folder = Path(held.enter_context(tempfile.TemporaryDirectory()))
        (folder / "conf").write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\n")
        program = shutil.which("mosquitto", path=os.environ["PATH"] + ":/usr/sbin:/usr/local/sbin")
        assert program is not None, "no mosquitto on this machine"
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        broker = subprocess.Popen([program, "-c", str(folder / "conf")], **quiet)
        held.callback(broker.kill)
        pause(1.0)
        where = ["--port", "bench=socket://127.0.0.1:0", "--port", f"yard-net=mqtt://127.0.0.1:{port}"]
        drill = subprocess.Popen(
            [sys.executable, "-m", "monitor", "drill", "clean", "--json", *where], stdout=subprocess.PIPE, text=True
        )
        held.callback(drill.kill)
        ports = json.loads(drill.stdout.readline())["ports"]
        delays(port, ports)
        for state, off in jitter(port, ports, seconds).items():
            told(f"ticks off 50 ms, {state}", off)
            print(f"  median {1e3 * statistics.median(off):.3f} ms, p99 {1e3 * percent(off, 0.99):.2f} ms", flush=True)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--follow"]:
        follow(int(sys.argv[2]))
    else:
        main(float(sys.argv[1]) if len(sys.argv) > 1 else 20.0)
