"""What judging a recording costs: an hour of the example rig with every channel heard twenty times a second.

python tests/bench/bench_judge.py [MINUTES] [FILE]    (60 unless said; FILE: where the recording is kept, and found again)

The recording is made here, by the rig and the crew of bench_day.py: an hour's lift, each of 15 channels heard twenty times a second
and twenty ticks a second, as a live session keeps them. All of it is invented. Each measurement is a process of its own: what it
used of a processor (which other programs on the machine hardly change), what a clock said, and the most memory it ever held.
"Parsed" is the same journal read line by line by the JSON library and nothing else; "read" is the journal proven by its seals and
made into entries; "judged" is the whole of `inchwatch judge`.
"""

import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import orjson
from bench_replay import TICK_NS, Kept

from drivers.reading import Reading
from replay.recording import read_recording

HOUR_NS = 3_600_000_000_000


class TwentyTimes(Kept):
    """The hour of bench_replay.py, with every channel heard at each of its steps, and raised as high as the rig's own plan says."""

    rises_mm = 60, 150

    def step(self) -> None:
        """A twentieth of a second: time passes, each channel reads, the clock ticks."""
        now_ns = self.count * TICK_NS
        if self.phase not in ("rest", "held"):
            self.truth.advance(TICK_NS * 1e-9)
        elif self.count % 20 == 0:
            self.truth.advance(20 * TICK_NS * 1e-9)
        self.crew(now_ns)
        for i, channel in enumerate(self.rig.channel):
            at_ns = now_ns + i * 2_000_000 + self.random.randrange(1_000_000)
            value = round(self.sensors.read(channel, self.truth), 7)
            self.engine.accept(Reading(channel.name, self.count, at_ns, None, value))
        self.count += 1
        self.tick(self.count * TICK_NS)


def make(path: Path, minutes: float) -> None:
    """Make the recording."""
    it, begun = TwentyTimes(path), time.process_time()
    while it.count * TICK_NS < minutes / 60 * HOUR_NS:
        it.step()
    it.keeper.close()
    size = path.stat().st_size / 1e6
    print(f"recorded {minutes:g} min, {size:.0f} MB, in {time.process_time() - begun:.0f} s", flush=True)


def started(_: Path) -> str:
    """The program and its libraries, no recording."""
    from monitor.debrief.judge import judged

    return f"nothing done, {judged.__name__} imported"


def parsed(path: Path) -> str:
    """Every line by the JSON library."""
    lines = 0
    with path.open("rb") as file:
        for line in file:
            orjson.loads(line)
            lines += 1
    return f"{lines} lines"


def read(path: Path) -> str:
    """Every entry, proven by the seals."""
    recording = read_recording(path)
    entries = sum(1 for _ in recording.lines())
    assert recording.complete, recording.damage
    return f"{entries} entries"


def judged(path: Path) -> str:
    """The verdict."""
    from monitor.debrief.judge import judged

    verdict = judged(path)
    assert verdict["same_as_live"], verdict["damage"]
    alarms = len(verdict["alarms"])
    return f"{verdict['samples']} readings of {verdict['seconds']:.0f} s, {alarms} alarms, the same as live"


JOBS: tuple[Callable[[Path], str], ...] = (started, parsed, read, judged)


def measured(name: str, path: Path) -> tuple[float, float, float, str]:
    """(processor s, clock s, most memory in MB, what it found) of one job in a process of its own."""
    begun = time.perf_counter()
    child = subprocess.Popen(
        [sys.executable, __file__, "--job", name, str(path)], stdout=subprocess.PIPE, text=True, env=os.environ
    )
    assert child.stdout is not None
    said = child.stdout.read().strip()
    _, status, used = os.wait4(child.pid, 0)
    assert status == 0, f"{name}: ended with status {status}"
    return used.ru_utime + used.ru_stime, time.perf_counter() - begun, used.ru_maxrss / 1024, said


def main() -> None:
    if sys.argv[1:2] == ["--job"]:
        job = next(job for job in JOBS if job.__name__ == sys.argv[2])
        print(job(Path(sys.argv[3])))
        return
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    with tempfile.TemporaryDirectory() as folder:
        path = Path(sys.argv[2]) if len(sys.argv) > 2 else Path(folder) / "hour.jsonl"
        if not path.exists():
            make(path, minutes)
        used: dict[str, float] = {}
        for job in JOBS:
            used[job.__name__], clock, most, said = measured(job.__name__, path)
            print(
                f"{job.__name__:<8}{used[job.__name__]:7.1f} s of a processor, {clock:6.1f} s by clock, {most:4.0f} MB: {said}"
            )
        print(
            f"this process, which made or found it: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB"
        )
        base = used["started"]
        for name in ("parsed", "read"):
            print(
                f"judged takes {(used['judged'] - base) / (used[name] - base):.1f} times as long as {name}, starting left out"
            )


if __name__ == "__main__":
    main()
