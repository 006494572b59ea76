"""What keeping and judging cost: writing to one place and to two, reading with seals, judging, beside merely parsing the file.

And what a journal takes: bytes an hour, and memory while a disk takes nothing.

python tests/bench/bench_journal.py
"""

import random
import tempfile
import time
import tracemalloc
from importlib.resources import files
from pathlib import Path

import orjson

from drivers.reading import Reading
from monitor.debrief.judge import judged
from replay import place
from replay.codec import Header
from replay.entries import Tick
from replay.journal import JournalWriter, read_journal

COUNT = 200_000


def timed(what) -> float:
    begun = time.perf_counter()
    what()
    return time.perf_counter() - begun


def a_minute(path: Path) -> int:
    """Bytes of a minute: values and times as long as a sensor's and a clock's are."""
    rng = random.Random(1)
    writer = JournalWriter(path, Header("", "bench", "bench", "2026-01-01"), print)
    for step in range(60 * 20):
        at_ns = 3_600_000_000_000 + step * 50_000_000 + rng.randrange(1000)
        for channel in range(40):
            value = round(0.5 + rng.random() * 0.1, 4)
            writer.write(Reading(f"S{channel % 4}-head-{channel:02d}", 72_000 + step, at_ns + channel, None, value))
        writer.write(Tick(at_ns + 40))
    writer.close()
    return path.stat().st_size


def while_nothing_is_written(path: Path) -> tuple[int, int]:
    """(bytes that wait, memory that they take) with more handed over than is kept."""
    place.WRITE_EVERY_S, before = 3600.0, place.WRITE_EVERY_S
    try:
        tracemalloc.start()
        writer = JournalWriter(path, Header("", "bench", "bench", "2026-01-01"), print)
        number = 0
        while writer._places[0]._gap is None or writer._places[0]._gap.lost < 100_000:
            writer.write(Reading("S1-head-x", number, number * 250_000, None, number * 0.1))
            number += 1
        size, held = writer._places[0]._size, tracemalloc.get_traced_memory()[0]
        tracemalloc.stop()
        writer.close()
    finally:
        place.WRITE_EVERY_S = before
    return size, held


def main() -> None:
    folder = Path(tempfile.mkdtemp())
    path = folder / "bench.jsonl"
    writer = JournalWriter(path, Header("", "bench", "bench", "2026-01-01"), print)
    twice = JournalWriter(
        folder / "first.jsonl", Header("", "bench", "bench", "2026-01-01"), print, also=folder / "second.jsonl"
    )

    def write(writer: JournalWriter) -> None:
        for i in range(COUNT):
            writer.write(Reading("S1-head-x", i, i * 250_000, None, i * 0.1))
        writer.close()

    def parse() -> None:
        for line in path.open("rb"):
            orjson.loads(line)

    def read() -> None:
        for _ in read_journal(path).lines():
            pass

    wrote, to_two = timed(lambda: write(writer)), timed(lambda: write(twice))
    parsed, played = timed(parse), timed(read)
    print(f"write {COUNT / wrote / 1e3:.0f} k/s, to two places {COUNT / to_two / 1e3:.0f} k/s")
    print(
        f"read with seals {COUNT / played / 1e3:.0f} k/s, merely parse {COUNT / parsed / 1e3:.0f} k/s: reading costs "
        f"{played / parsed:.1f} times parsing"
    )
    minute = a_minute(folder / "minute.jsonl")
    print(
        f"40 channels at 20 Hz: {60 * minute / 1e6:.0f} MB an hour; {place.KEPT_AT_MOST / minute:.0f} minutes in memory"
    )
    size, held = while_nothing_is_written(folder / "waits.jsonl")
    print(f"a disk that takes nothing: {size / 1e6:.0f} MB wait in {held / 1e6:.0f} MB of memory, and no more")
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
