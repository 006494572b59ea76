"""The far ends of the soak, in one process: it sends every reading on the beat, breaks its wires, and keeps what it did.

python tests/bench/soak_sender.py FOLDER SECONDS SEED

It says where its wires are (one JSON line), is told the monitor's process on standard input, and begins as soon as the
monitor listens everywhere. FOLDER/faults.jsonl then holds what it did, a JSON object a line, in ticks of 1/50 s:
`{"kind", "port", "from", "to"}` is a fault, within which readings may be lost if "from" is there; `unsent` what was never
sent, for the wire was known to be away; `twice` a tick that was sent twice; `extra` a reading that was sent besides.
"""

from __future__ import annotations

import heapq
import itertools
import json
import os
import random
import resource
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

sys.path.insert(0, str(Path(__file__).parents[2]))

import soak_rig as rig
from soak_wires import Broker, ByteWire, Cable, Pty, Tcp

from drivers import nmea

TICK_S = 1.0 / rig.RATE
SETTLED = 20
"""Ticks after a wire is back, in which a library may still empty its buffer."""
BEFORE = 25
"""Ticks before a cut whose bytes may lie in a buffer unread."""
LATE_S = 60.0
STALL_S, STOP_S = 2.0, 1.0
BYTE_PORTS = (rig.BENCH, rig.SHED, rig.NODES)
DECK = [
    *((kind, port) for port in (rig.BENCH, rig.NODES) for kind in ("pulled",)),
    *((kind, rig.SHED) for kind in ("dropped",)),
    *(
        (kind, port)
        for port in BYTE_PORTS
        for kind in ("garbled", "half-line", "long-line", "noise", "stall", "twice", "outside", "not-a-number")
    ),
    *(
        (kind, rig.NET)
        for kind in (
            "broker-killed",
            "sender-dropped",
            "malformed",
            "late",
            "stall",
            "twice",
            "outside",
            "not-a-number",
        )
    ),
    *((kind, rig.BUS) for kind in ("silent", "exception", "checksum")),
    ("stopped", "all"),
]
MALFORMED = (
    b"",
    b"{",
    b"\xff\xfe\x00\x01",
    b'[{"n":1}]',
    b"[" * 2000,
    b"x" * 100_000,
    b'{"tilt":["x",null]}',
    b"1e999",
)
Message = tuple[str, bytes, int]


class Sender:
    """Every wire, the beat, and what befalls them."""

    def __init__(self, folder: Path, seconds: float, seed: int) -> None:
        self.rng = random.Random(seed)
        self.bench, self.nodes, self.shed = Pty(folder, "bench"), Pty(folder, "nodes"), Tcp()
        self.wires: dict[str, ByteWire] = {rig.BENCH: self.bench, rig.NODES: self.nodes, rig.SHED: self.shed}
        self.cable, self.broker = Cable(folder), Broker(folder)
        station = Path(__file__).with_name("soak_station.py")
        self.station = subprocess.Popen(
            [sys.executable, str(station), self.cable.server, str(folder / "station.bin")],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            bufsize=1,
        )
        assert self.station.stdout is not None, "it is a pipe"
        assert self.station.stdout.readline() == "ready\n", "the station begins"
        self.kept = (folder / "faults.jsonl").open("w", buffering=1)
        self.of = {port: [it for it in rig.channels() if it.port == port] for port in rig.STEADY_PORTS}
        self.texts = {it.name: it.texts() for it in rig.channels()}
        self.ticks = round(seconds * rig.RATE)
        self.tick = 0
        self.extras = itertools.count(rig.EXTRA)
        self.spoil: dict[str, Callable[[bytes], bytes]] = {}
        self.busy: set[str] = set()
        self.stalled: set[str] = set()
        self.held: list[Message] = []
        self.again: set[str] = set()
        self.late = False
        self.unsent: dict[str, list[int]] = {}
        self.plan: list[tuple[float, int, Callable[[], None]]] = []
        self.order = itertools.count()
        self.deck: list[tuple[str, str]] = []
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="yard-nodes")
        self.client.reconnect_delay_set(1, 1)
        self.client.connect_async("127.0.0.1", self.broker.port, keepalive=10)
        self.client.loop_start()
        self.pid = 0

    # what is sent

    def bytes_of(self, port: str, tick: int) -> bytes:
        number, at = f"{tick:07d}", rig.level_of(tick)
        return self.framed(port, [(it, self.texts[it.name][at] + number) for it in self.of[port]])

    def framed(self, port: str, values: list[tuple[rig.Sent, str]]) -> bytes:
        if port == rig.NODES:
            return "".join(f"{it.name}={text} {it.kind}\r\n" for it, text in values).encode()
        quads = [f"{rig.XDR[it.kind][0]},{text},{rig.XDR[it.kind][1]},{it.name}" for it, text in values]
        return b"".join(nmea.sentence("YX", quads[i : i + 3]) for i in range(0, len(quads), 3))

    def messages(self, tick: int) -> list[Message]:
        number, at = f"{tick:07d}", rig.level_of(tick)
        said = {it.name: self.texts[it.name][at] + number for it in self.of[rig.NET]}
        when = time.time() - (LATE_S if self.late else 0.0)
        self.late = False
        return self.said(said, when)

    def said(self, said: dict[str, str], when: float) -> list[Message]:
        """The messages that say so many values; JSON of both tilts of the head, or none."""
        pack = ",".join(
            f'{{"n":"{it.name}","u":"{it.kind}","v":{said[it.name]},"t":{when:.3f}}}'
            for it in self.of[rig.NET]
            if it.name in said and not it.name.startswith("S1")
        )
        made: list[Message] = [(rig.PACK, f"[{pack}]".encode(), 0)] if pack else []
        if "S1-head-x" in said:
            made.append((rig.HEAD, f'{{"tilt":[{said["S1-head-x"]},{said["S1-head-y"]}]}}'.encode(), 1))
        for name, topic, qos in (("S1-mid-x", rig.MID_X, 0), ("S1-mid-y", rig.MID_Y, 1)):
            if name in said:
                made.append((topic, said[name].encode(), qos))
        return made

    def send(self) -> None:
        """One tick on every wire."""
        tick = self.tick
        for port, wire in self.wires.items():
            if wire.fd is None:
                self.not_sent(port)
                continue
            data = self.bytes_of(port, tick)
            if port in self.spoil:
                data = self.spoil.pop(port)(data)
            wire.write(tick, data * self.times(port))
        if not self.client.is_connected():
            self.not_sent(rig.NET)
            self.held.clear()
        else:
            self.publish(self.messages(tick) * self.times(rig.NET))
        self.tick += 1
        self.flush()

    def times(self, port: str) -> int:
        if port not in self.again:
            return 1
        self.again.discard(port)
        self.keep(twice=port, tick=self.tick)
        return 2

    def publish(self, messages: list[Message]) -> None:
        self.held += messages
        if rig.NET not in self.stalled:
            for topic, payload, qos in self.held:
                self.client.publish(topic, payload, qos)
            self.held.clear()

    def flush(self) -> None:
        for port, wire in self.wires.items():
            if port not in self.stalled:
                wire.flush()
            if wire.fd is None and port not in self.busy:  # never by our doing
                self.window("lost", port, self.connected(port))

    def not_sent(self, port: str) -> None:
        if port in self.unsent and self.unsent[port][1] == self.tick - 1:
            self.unsent[port][1] = self.tick
            return
        self.tell_unsent(port)
        self.unsent[port] = [self.tick, self.tick]

    def tell_unsent(self, port: str) -> None:
        if port in self.unsent:
            first, last = self.unsent.pop(port)
            self.keep(unsent=port, **{"from": first, "to": last})

    # what befalls it

    def keep(self, **it: object) -> None:
        self.kept.write(json.dumps({"ns": time.monotonic_ns(), **it}) + "\n")

    def after(self, seconds: float, do: Callable[[], None]) -> None:
        heapq.heappush(self.plan, (time.monotonic() + seconds, next(self.order), do))

    def connected(self, port: str) -> Callable[[], bool]:
        """Whether the monitor listens to a port again."""
        if port == rig.NET:
            return lambda: self.broker.subscriptions >= 4 and self.client.is_connected()
        if port == rig.SHED:
            return lambda: self.shed.fd is not None
        wire = self.bench if port == rig.BENCH else self.nodes
        return lambda: wire.fd is not None and wire.open_in(self.pid)

    def window(self, kind: str, port: str, over: Callable[[], bool], first: int | None = None) -> None:
        """From now on, and a little before, readings may be lost, until a while after it is over."""
        self.busy.add(port)
        begun = max(0, min(self.tick, self.tick if first is None else first) - BEFORE)
        self.keep(open=kind, port=port, **{"from": begun})
        mark = time.monotonic()

        def look() -> None:
            if not over():
                self.after(0.05, look)
                return
            self.busy.discard(port)
            self.keep(
                kind=kind,
                port=port,
                seconds=round(time.monotonic() - mark, 2),
                **{"from": begun, "to": self.tick + SETTLED},
            )

        self.after(0.05, look)

    def befall(self) -> None:
        """The next fault whose wire is whole; and when there will be another."""
        self.after(self.rng.uniform(3.0, 6.0), self.befall)
        if not self.deck:
            self.deck = self.rng.sample(DECK, len(DECK))
        at = next((i for i, (_, port) in enumerate(self.deck) if port not in self.busy), None)
        if at is None or self.tick >= self.ticks - 10 * rig.RATE:
            return
        kind, port = self.deck.pop(at)
        if port in self.wires:
            self.to_bytes(kind, port, self.wires[port])
        elif port == rig.NET:
            self.to_messages(kind)
        elif port == rig.BUS:
            often = self.rng.randint(1, 2) if kind == "silent" else self.rng.randint(1, 10)
            assert self.station.stdin is not None, "it is a pipe"
            self.station.stdin.write(f"{kind} {often}\n")
            self.keep(kind=kind, port=port)
        else:
            subprocess.Popen(["sh", "-c", f"kill -STOP {os.getpid()}; sleep {STOP_S}; kill -CONT {os.getpid()}"])
            self.keep(kind=kind, port=port)

    def to_bytes(self, kind: str, port: str, wire: ByteWire) -> None:
        if kind == "pulled":
            assert isinstance(wire, Pty), "a pty"
            wire.pull()
            self.window(kind, port, self.connected(port), wire.forget())
            self.after(self.rng.uniform(0.3, 2.5), wire.plug)
        elif kind == "dropped":
            self.shed.cut()
            self.window(kind, port, self.connected(port), wire.forget())
        elif kind in ("garbled", "half-line", "noise"):
            self.spoil[port] = {
                "garbled": partial(self.garbled, strange=port == rig.NODES),
                "half-line": lambda data: data[: -self.rng.randint(3, 60)],
                "noise": lambda data: self.rng.randbytes(2000) + data,
            }[kind]
            self.keep(kind=kind, port=port, **{"from": self.tick, "to": self.tick + 1})
        elif kind == "long-line":
            wire.write(self.tick, b"x" * 100_000 + b"\r\n")
            self.keep(kind=kind, port=port)
        elif kind == "stall":
            self.stall(port)
            self.keep(kind=kind, port=port)
        elif kind == "twice":
            self.again.add(port)
            self.keep(kind=kind, port=port)
        else:
            it = self.rng.choice(self.of[port])
            text = "nan" if kind == "not-a-number" else self.extra(it)
            wire.write(self.tick, self.framed(port, [(it, text)]))
            self.keep(kind=kind, port=port)

    def garbled(self, data: bytes, strange: bool) -> bytes:
        """One bit wrong, which a checksum must find; where there is none, a byte that is no text."""
        at = self.rng.randrange(len(data))
        wrong = 0xA7 if strange else data[at] ^ 1 << self.rng.randrange(5)
        return data[:at] + bytes((wrong,)) + data[at + 1 :]

    def stall(self, port: str) -> None:
        self.stalled.add(port)
        self.busy.add(port)

        def go_on() -> None:
            self.stalled.discard(port)
            self.busy.discard(port)

        self.after(STALL_S, go_on)

    def extra(self, it: rig.Sent) -> str:
        number = next(self.extras)
        self.keep(extra=it.name, port=it.port, number=number, tick=self.tick)
        return f"{it.outside()}{number:07d}"

    def to_messages(self, kind: str) -> None:
        port = rig.NET
        if kind == "broker-killed":
            self.broker.kill()
            self.broker.subscriptions = 0
            self.broker.said = -1
            self.window(kind, port, self.connected(port))
            self.after(self.rng.uniform(0.3, 2.5), self.broker.start)
            return
        if kind == "sender-dropped":
            since = time.monotonic()
            wire = self.client.socket()
            if wire is not None:
                wire.shutdown(2)
            self.window(kind, port, lambda: time.monotonic() > since + 0.5 and self.client.is_connected())
            return
        self.keep(kind=kind, port=port)
        if kind == "malformed":
            for payload in MALFORMED:
                self.client.publish(self.rng.choice((rig.PACK, rig.HEAD, rig.MID_X, rig.MID_Y)), payload)
        elif kind == "late":
            self.late = True
        elif kind == "stall":
            self.stall(port)
        elif kind == "twice":
            self.again.add(port)
        else:
            it = self.rng.choice([it for it in self.of[port] if not it.name.startswith("S1-head")])
            text = "NaN" if kind == "not-a-number" else self.extra(it)
            for topic, payload, qos in self.said({it.name: text}, time.time()):
                self.client.publish(topic, payload, qos)

    # the beat

    def look(self, seconds: float) -> None:
        """Wait for the next beat, or for what a wire brings meanwhile."""
        until = time.monotonic() + seconds
        while (left := until - time.monotonic()) > 0.0:
            ends = [self.cable.near, self.cable.station, self.shed.server]
            if self.broker.said >= 0:
                ends.append(self.broker.said)
            for end in select.select(ends, [], [], left)[0]:
                if end == self.shed.server:
                    self.shed.accept()
                elif end == self.broker.said:
                    self.broker.listen()
                else:
                    self.cable.carry(end)

    def run(self) -> None:
        """Say where the wires are, wait for the monitor, and beat to the end."""
        places = {"bench": self.bench.place, "shed": self.shed.place, "nodes": self.nodes.place}
        print(json.dumps({**places, "broker": self.broker.port, "bus": self.cable.place}), flush=True)
        self.pid = int(sys.stdin.readline())
        listening = [self.connected(port) for port in rig.STEADY_PORTS]
        while not all(it() for it in listening):
            self.look(0.05)
        self.look(1.0)
        self.nodes.write(0, b"yard nodes\r\n")  # what comes first on a line without checksums is passed over
        begun = time.monotonic()
        self.keep(begun=time.monotonic_ns())
        self.after(3.0, self.befall)
        while self.tick < self.ticks:
            while self.plan and self.plan[0][0] <= time.monotonic():
                heapq.heappop(self.plan)[2]()
            self.send()
            if self.tick % (10 * rig.RATE) == 0:
                self.tell()
            self.look(begun + self.tick * TICK_S - time.monotonic())
        for _ in range(3 * rig.RATE):
            self.flush()
            self.look(TICK_S)
        for port in list(self.unsent):
            self.tell_unsent(port)
        self.tell(done=True)
        while not select.select([sys.stdin], [], [], 0.0)[0]:
            self.look(0.2)

    def close(self) -> None:
        """Take the broker and the station along."""
        self.client.loop_stop()
        self.broker.kill()
        self.station.kill()
        self.station.wait()

    def tell(self, **more: object) -> None:
        """How far it is, and what of a core it has used itself and its children have."""
        used = resource.getrusage(resource.RUSAGE_SELF)
        print(json.dumps({"ticks": self.tick, "cpu_s": round(used.ru_utime + used.ru_stime, 2), **more}), flush=True)


if __name__ == "__main__":
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))
    sender = Sender(Path(sys.argv[1]), float(sys.argv[2]), int(sys.argv[3]))
    try:
        sender.run()
    finally:
        sender.close()
