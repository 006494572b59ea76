"""A soak: 40 channels fifty times a second and a Modbus bus besides, and every few seconds something breaks.

python tests/bench/bench_soak.py [MINUTES] [--seed N] [--keep DIR]    (120 unless said)

The whole program runs as anybody runs it. Its wires are real: sentences on a pty and over TCP, lines on a pty, a mosquitto, a
Modbus server of pymodbus's. One sender sends on the beat of a clock and breaks its wires every 3 to 6 seconds, drawn from a
seed (soak_sender.py). Every reading is known by its value (soak_rig.py), so that the journal is held against what was sent,
reading by reading, while the session goes on (soak_check.py).

It fails when a thread of the program is lost or comes besides; when memory, or CPU, is not within 5 % of what it was (the same work
takes more or less CPU as the machine has other work: soak_flat.py tells that apart); when a reading that was sent on a sound
wire is not in the journal, and when one is there that nobody sent. DIR keeps the journal, what was done (faults.jsonl) and the
measures (measures.jsonl: an object every ten seconds, and a verdict so far with each file of the journal). All data is invented.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[2]))

import soak_rig as rig
from soak_check import Checker
from soak_flat import flatness, told

EVERY_S = 10.0
FLAT = 0.05
LONG_MIN = 20.0
"""A shorter run has not settled when it ends: its memory and CPU are told and not judged."""
EARLY_S, LAST_S = (300.0, 900.0), 600.0
BACK_NS = 2_000_000_000
"""An answer of the bus that is given later than this before the end need not be in the journal."""
_HZ, _PAGE = os.sysconf("SC_CLK_TCK"), os.sysconf("SC_PAGE_SIZE")
HERE = Path(__file__).parent


def child(*command: str, **more: Any) -> subprocess.Popen[str]:
    """A process that can be interrupted, even where this one was begun in the background of a shell."""
    return subprocess.Popen(
        [sys.executable, *command],
        text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
        **more,
    )


def measured(pid: int, folder: Path) -> dict[str, Any]:
    """What the system says of a process: memory (bytes), CPU (s), threads, open files; and how long its journal is (bytes)."""
    told = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return {
        "rss": int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * _PAGE,
        "cpu_s": (int(told[11]) + int(told[12])) / _HZ,
        "threads": sorted(int(it.name) for it in Path(f"/proc/{pid}/task").iterdir()),
        "fds": sum(1 for _ in Path(f"/proc/{pid}/fd").iterdir()),
        "wakings": sum(_wakings(it) for it in Path(f"/proc/{pid}/task").iterdir()),
        "machine_s": _busy_s(),
        "journal": sum(it.stat().st_size for it in folder.glob("soak*.jsonl")),
    }


def _wakings(task: Path) -> int:
    """How often a thread has waited for something and was woken."""
    told = dict(line.split(":", 1) for line in (task / "status").read_text().splitlines())
    return int(told["voluntary_ctxt_switches"])


def _busy_s() -> float:
    """CPU seconds of the whole machine that were not idle, since it began."""
    user, nice, system, *_ = map(int, Path("/proc/stat").read_text().split("\n", 1)[0].split()[1:])
    return (user + nice + system) / _HZ


def ended(path: Path) -> bool:
    """Whether a file says at its end that the session goes on in the next."""
    with path.open("rb") as file:
        file.seek(-min(path.stat().st_size, 1000), os.SEEK_END)
        return b'"k":"on"' in file.read()


class Soak:
    """One run, from the first wire to the verdict."""

    def __init__(self, folder: Path, minutes: float, seed: int) -> None:
        self.folder, self.seconds = folder, 60.0 * minutes
        self.checker = Checker(round(self.seconds * rig.RATE))
        self.measures: list[dict[str, Any]] = []
        self.kept = (folder / "measures.jsonl").open("w", buffering=1)
        self.sent: dict[str, Any] = {"ticks": 0, "cpu_s": 0.0}
        self.over = threading.Event()
        self.broken: str = ""
        self.sender = child(
            str(HERE / "soak_sender.py"),
            str(folder),
            str(self.seconds),
            str(seed),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        places = json.loads(self._line())
        (folder / "yard.toml").write_text(
            rig.rig_text(places["bench"], places["shed"], places["nodes"], places["broker"], places["bus"])
        )
        self.said = (folder / "said.txt").open("w")
        self.monitor = child(
            *("-m", "monitor", "run", str(folder / "yard.toml"), "--headless"),
            *("--record", str(folder / "soak.jsonl"), "--split", "5min" if minutes > 10 else "1min"),
            cwd=HERE.parents[1],
            stdout=self.said,
            stderr=subprocess.STDOUT,
        )
        assert self.sender.stdin is not None, "it is a pipe"
        self.sender.stdin.write(f"{self.monitor.pid}\n")
        self.sender.stdin.flush()

    def _line(self) -> str:
        assert self.sender.stdout is not None, "it is a pipe"
        return self.sender.stdout.readline()

    def keep(self, **it: Any) -> None:
        self.kept.write(json.dumps(it) + "\n")

    def listen(self) -> None:
        """What the sender says, to its end."""
        while not self.over.is_set() and (line := self._line()):
            self.sent = json.loads(line)
            if self.sent.get("done"):
                break
        self.over.set()

    def check(self) -> None:
        """Each file as soon as the next is begun; the least urgent of all work."""
        os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), 19)
        while not self.over.wait(1.0):
            self.take(whole=False)

    def take(self, *, whole: bool) -> None:
        files = sorted(self.folder.glob("soak*.jsonl"), key=lambda it: (it.name != "soak.jsonl", it.name))
        for path in files[len(self.checker.files) :]:
            if not (whole or ended(path)):
                return
            self.checker.take(path)
            if not whole:
                most = max(int(it.nonzero()[0].max(initial=0)) for it in self.checker.seen.values())
                so_far = self.checker.verdict(self.folder, max(1, most - 10 * rig.RATE), 0)
                self.keep(so_far=so_far | self.drift(), file=path.name)

    def run(self) -> dict[str, Any]:
        """Measure until the sender has sent everything, end the program as a person does, and read its journal to the end."""
        threads = [threading.Thread(target=it, daemon=True) for it in (self.listen, self.check)]
        for it in threads:
            it.start()
        begun = time.monotonic()
        due = 1
        while not self.over.wait(max(0.0, begun + due * EVERY_S - time.monotonic())):
            if self.monitor.poll() is not None:
                self.broken = f"the program ended by itself with {self.monitor.returncode}"
                break
            now = {
                "s": round(time.monotonic() - begun, 1),
                **measured(self.monitor.pid, self.folder),
                "sender": self.sent,
            }
            self.measures.append(now)
            self.keep(**now)
            due += 1
        self.over.set()
        until_ns = time.monotonic_ns() - BACK_NS
        code = self._end()
        threads[1].join()
        self.take(whole=True)
        verdict = self.checker.verdict(self.folder, self.sent["ticks"], until_ns)
        verdict |= self.drift() | {"exit": code, "program": self.broken, "sender_cpu_s": self.sent["cpu_s"]}
        self.keep(verdict=verdict)
        return verdict

    def _end(self) -> int:
        if self.monitor.poll() is None:
            self.monitor.send_signal(signal.SIGINT)
        try:
            code = self.monitor.wait(60.0)
        except subprocess.TimeoutExpired:
            self.monitor.kill()
            code, self.broken = self.monitor.wait(), "the program did not end within a minute of being asked to"
        assert self.sender.stdin is not None, "it is a pipe"
        self.sender.stdin.close()
        if not self.sent.get("done"):
            self.sender.terminate()
        self.sender.wait(30.0)
        self.said.close()
        return code

    def close(self) -> None:
        """Leave no process behind, however it ended."""
        for it in (self.monitor, self.sender):
            if it.poll() is None:
                it.terminate()
                it.wait(20.0)

    def drift(self) -> dict[str, Any]:
        """Threads, memory and CPU early and late in the run."""
        its, long = self.measures, self.seconds >= 60.0 * LONG_MIN
        now = its[-1]["s"] if its else 0.0
        early = EARLY_S if long else (now / 3, 2 * now / 3)
        last = now - (LAST_S if long else now / 3)
        spans = [[it for it in its if early[0] <= it["s"] <= early[1]], [it for it in its if it["s"] >= last]]
        if min(map(len, spans)) < 2:
            return {"long": False}
        memory = [statistics.median(it["rss"] for it in span) for span in spans]
        cpu = [(span[-1]["cpu_s"] - span[0]["cpu_s"]) / (span[-1]["s"] - span[0]["s"]) for span in spans]
        sends = [(span[-1]["sender"], span[0]["sender"]) for span in spans]
        beat = [(b["cpu_s"] - a["cpu_s"]) / max(1, b["ticks"] - a["ticks"]) * rig.RATE for b, a in sends]
        woken, machine = (
            [(span[-1][key] - span[0][key]) / (span[-1]["s"] - span[0]["s"]) for span in spans]
            for key in ("wakings", "machine_s")
        )
        return {
            "long": long,
            "rss": memory,
            "cpu": cpu,
            "sender_cpu": beat,
            "flat": flatness([it for it in its if it["s"] >= early[0]]),
            "wakings": woken,
            "machine": machine,
            "threads": [len(spans[0][0]["threads"]), len(its[-1]["threads"])],
            "same_threads": spans[0][0]["threads"] == its[-1]["threads"],
            "fds": [spans[0][0]["fds"], its[-1]["fds"]],
            "journal_bytes": its[-1]["journal"],
        }


def failures(it: dict[str, Any]) -> list[str]:
    """What does not hold, in words."""
    wrong = [
        f"{it[key]} {key.replace('_', ' ')}"
        for key in ("lost_outside", "twice_outside", "invented", "out_of_order")
        if it[key]
    ]
    wrong += it["journal"] + [it["program"]] * bool(it["program"]) + [f"exit status {it['exit']}"] * bool(it["exit"])
    if it["faults"].get("lost"):
        wrong.append(f"{it['faults']['lost']} wires given up by the program itself")
    if not it.get("same_threads", True):
        wrong.append(f"the threads are not those of before: {it['threads'][0]}, then {it['threads'][1]}")
    if it["long"]:
        memory, cpu = (it[key][1] / it[key][0] - 1.0 for key in ("rss", "cpu"))
        if abs(memory) > FLAT:
            wrong.append(f"memory {100 * memory:+.1f} %")
        if abs(cpu) > FLAT and (it["flat"] is None or abs(it["flat"]["drift"]) > FLAT):
            wrong.append(f"CPU {100 * cpu:+.1f} %")
    return wrong


def table(it: dict[str, Any]) -> str:
    """The verdict for a person."""
    rows = [
        ("sent (of them asked for over Modbus)", f"{it['sent']:,} ({it['asked']:,})"),
        ("in the journal (of them old)", f"{it['in_journal']:,} ({it['old']:,}) in {it['files']} files"),
        ("never sent, their wire was away", f"{it['unsent']:,}"),
        ("lost inside faults", ", ".join(f"{k} {n}" for k, n in it["lost_inside"].items() if n) or "none"),
        ("lost outside", str(it["lost_outside"])),
        ("invented, out of order", f"{it['invented']}, {it['out_of_order']}"),
        (
            "twice: sent so, broker's second try, else",
            f"{it['sent_twice']}, {it['twice_inside']}, {it['twice_outside']}",
        ),
        (f"faults ({sum(it['faults'].values())})", ", ".join(f"{k} {n}" for k, n in it["faults"].items())),
        ("alarms raised", ", ".join(f"{k} {n}" for k, n in it["alarms"].items()) or "none"),
        ("notices", ", ".join(f"{k} {n}" for k, n in it["notices"].items()) or "none"),
    ]
    if "rss" in it:
        (m0, m1), (c0, c1), (s0, s1) = it["rss"], it["cpu"], it["sender_cpu"]
        same = "the same" if it["same_threads"] else "others"
        rows += [
            (
                "threads, early and last",
                f"{it['threads'][0]}, {it['threads'][1]}; {same}",
            ),
            ("open files, early and last", f"{it['fds'][0]}, {it['fds'][1]}"),
            ("memory, early and last", f"{m0 / 2**20:.1f} MiB, {m1 / 2**20:.1f} MiB ({100 * (m1 / m0 - 1):+.1f} %)"),
            (
                "CPU of the program, early and last",
                f"{100 * c0:.1f} %, {100 * c1:.1f} % of a core ({100 * (c1 / c0 - 1):+.1f} %)",
            ),
            (
                "CPU of the sender, early and last",
                f"{100 * s0:.1f} %, {100 * s1:.1f} % of a core ({100 * (s1 / s0 - 1):+.1f} %)",
            ),
            ("CPU, what goes with time alone", told(it["flat"]) if it["flat"] else "too short to say"),
            ("wakings a second, early and last", "{:.0f}, {:.0f}".format(*it["wakings"])),
            ("cores of the machine at work, early and last", "{:.2f}, {:.2f}".format(*it["machine"])),
            ("journal", f"{it['journal_bytes'] / 1e6:.0f} MB"),
        ]
    return "\n".join(f"{name:44} {value}" for name, value in rows)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("minutes", nargs="?", type=float, default=120.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path)
    call = parser.parse_args()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))
    with tempfile.TemporaryDirectory() as spare:
        folder = (call.keep or Path(spare)).resolve()
        folder.mkdir(parents=True, exist_ok=True)
        soak = Soak(folder, call.minutes, call.seed)
        try:
            verdict = soak.run()
        finally:
            soak.close()
    print(table(verdict))
    wrong = failures(verdict)
    print("\n".join([*(f"does not hold: {it}" for it in wrong), *verdict["where"]]) if wrong else "all of it holds")
    if not verdict["long"]:
        print("a short run: memory and CPU are told, not judged")
    return int(bool(wrong))


if __name__ == "__main__":
    sys.exit(main())
