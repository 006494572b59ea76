"""What the broker of our own costs: how soon it is there, and ten pictures of 10 kB a second to eight followers.

`python tests/bench/bench_broker.py [SECONDS]`
"""

from __future__ import annotations

import sys
import threading
import time
from pathlib import Path
from urllib.parse import urlsplit

from paho.mqtt import client as mqtt

from monitor.link.broker import Served, serving

FOLLOWERS, EVERY_S, BYTES = 8, 0.1, 10_000


def client(port: int, it: Served | None = None) -> mqtt.Client:
    made = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    if it is not None:
        made.username_pw_set("operator", Path(it.password_file).read_text().strip())
    made.connect("127.0.0.1", port)
    made.loop_start()
    return made


def follower(port: int, ready: threading.Semaphore, late: list[float]) -> mqtt.Client:
    it = client(port)
    it.on_subscribe = lambda *_: ready.release()
    it.on_message = lambda _c, _u, message: late.append(time.monotonic() - float(message.payload[:20]))
    it.subscribe("inchwatch/+/picture", 0)
    return it


def used_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / 100.0


def main(seconds: float) -> None:
    began = time.monotonic()
    with serving() as it:
        print(f"there after {time.monotonic() - began:.3f} s")
        port, ready, late = urlsplit(it.url).port or 0, threading.Semaphore(0), list[float]()
        them = [follower(port, ready, late) for _ in range(FOLLOWERS)]
        for _ in them:
            assert ready.acquire(timeout=10.0), "a follower was not let in"
        us, pid = client(port, it), it.keeper.broker or 0
        before, due = used_s(pid), time.monotonic()
        for _ in range(round(seconds / EVERY_S)):
            due += EVERY_S
            time.sleep(max(0.0, due - time.monotonic()))
            us.publish("inchwatch/yard/picture", f"{time.monotonic():020.9f}" + "x" * BYTES)
        time.sleep(1.0)
        late.sort()
        print(f"{len(late)} of {FOLLOWERS * round(seconds / EVERY_S)} pictures came")
        print(f"median {late[len(late) // 2] * 1e3:.1f} ms, p99 {late[len(late) * 99 // 100] * 1e3:.1f} ms")
        memory = next(line for line in Path(f"/proc/{pid}/status").read_text().splitlines() if line.startswith("VmRSS"))
        print(f"{(used_s(pid) - before) / seconds * 100:.1f} % of a core, {memory.split(':')[1].strip()}")
        for one in [*them, us]:
            one.disconnect()
            one.loop_stop()


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 20.0)
