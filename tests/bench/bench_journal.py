"""What keeping and judging cost: writing, reading with seals, judging, beside merely parsing the same file.

python tests/bench/bench_journal.py
"""

import tempfile
import time
from importlib.resources import files
from pathlib import Path

import orjson

from drivers.reading import Reading
from monitor.debrief.judge import judged
from replay.codec import Header
from replay.journal import JournalWriter, read_journal

COUNT = 200_000


def timed(what) -> float:
    begun = time.perf_counter()
    what()
    return time.perf_counter() - begun


def main() -> None:
    folder = Path(tempfile.mkdtemp())
    path = folder / "bench.jsonl"
    writer = JournalWriter(path, Header("", "bench", "bench", "2026-01-01"), print)

    def write() -> None:
        for i in range(COUNT):
            writer.write(Reading("S1-head-x", i, i * 250_000, None, i * 0.1))
        writer.close()

    def parse() -> None:
        for line in path.open("rb"):
            orjson.loads(line)

    def read() -> None:
        for _ in read_journal(path).lines():
            pass

    wrote, parsed, played = timed(write), timed(parse), timed(read)
    print(
        f"write {COUNT / wrote / 1e3:.0f} k/s, read with seals {COUNT / played / 1e3:.0f} k/s, merely parse "
        f"{COUNT / parsed / 1e3:.0f} k/s: reading costs {played / parsed:.1f} times parsing"
    )
    recording = Path(str(files("monitor").joinpath("..", "recordings", "stuck-shore.jsonl"))).resolve()
    lines = sum(1 for _ in recording.open("rb"))
    merely = timed(lambda: [orjson.loads(line) for line in recording.open("rb")])
    took = timed(lambda: judged(recording))
    seconds = judged(recording)["seconds"]
    print(
        f"judging {recording.name}: {seconds:.0f} s of lift ({lines} lines) in {took:.2f} s, {seconds / took:.0f} times real time, "
        f"{took / merely:.0f} times parsing"
    )


if __name__ == "__main__":
    main()
