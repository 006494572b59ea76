"""What walking through a long recording costs: going through it once, any picture of it, memory; and a step back.

python tests/bench/bench_replay.py [MINUTES] [FILE]    (120 unless said; FILE: where the recording is kept, and found again)

The recording is made here: the rig and crew of bench_day.py, an hour's lift in every hour, each of 15 channels heard ten times a
second and twenty ticks a second, as a live session keeps them. All of it is invented. Times are of this process on one core:
processor time, and beside it what a clock said.
"""

import gc
import random
import sys
import tempfile
import time
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from types import SimpleNamespace

import numpy as np
from bench_day import HOUR_NS, Day, resident_kb

from drivers.reading import Reading
from monitor.debrief.player import Player
from monitor.live.hand import presses
from monitor.live.keeping import JournalKeeper
from monitor.rig.load import parse_rig
from replay.entries import Action, Notice, Tick

TICK_NS = 50_000_000
SEEKS = 400


def rig_text(half_mm: int, full_mm: int) -> str:
    """The example rig with the plan of bench_day.py, which can be gone through again and again."""
    plan = ("fill", "S1-upper", half_mm), ("fill", "S1-lower", full_mm), ("capture", None, None), ("lower", None, 0)
    text = files("monitor.drill").joinpath("rigs/yard-panel.toml").read_text(encoding="utf-8")
    kept, skip = [], False
    for line in text.splitlines():
        if line.startswith("["):
            skip = line.strip() == "[[step]]"
        if not skip:
            kept.append(line)
    for do, bag, rise in plan:
        kept += ["[[step]]", f'do = "{do}"', *([f'bag = "{bag}"'] if bag else [])]
        kept += [f'until = {{ rise = "{rise} mm", at = "S1" }}'] if rise is not None else []
    return "\n".join(kept) + "\n"


class Kept(Day):
    """The day of bench_day.py, its entries kept as a live session keeps them."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        text = rig_text(*self.rises_mm)
        assert parse_rig(text).step == self.rig.step
        self.keeper = JournalKeeper(path, text, "yard-panel", print, datetime(2026, 1, 1, tzinfo=UTC))
        inner = self.engine
        self.engine = SimpleNamespace(accept=self.keep(inner.accept), act=self.keep(inner.act))
        self.tick_engine = self.keep(inner.tick)
        for port in self.rig.port:
            self.keep(inner.note)(Notice(0, "link", port.name, False, "connected"))

    def keep(self, feed):
        def kept(entry):
            self.keeper.write(entry)
            return feed(entry)

        return kept

    def step(self) -> None:
        """A twentieth of a second: time passes, every other one each channel reads, the clock ticks."""
        now_ns = self.count * TICK_NS
        moving = self.phase not in ("rest", "held")
        if moving:
            self.truth.advance(TICK_NS * 1e-9)
        elif self.count % 20 == 0:
            self.truth.advance(20 * TICK_NS * 1e-9)
        self.crew(now_ns)
        if self.count % 2 == 0:
            for i, channel in enumerate(self.rig.channel):
                at_ns = now_ns + i * 2_000_000 + self.random.randrange(1_000_000)
                self.engine.accept(
                    Reading(channel.name, self.count, at_ns, None, round(self.sensors.read(channel, self.truth), 7))
                )
        self.count += 1
        self.tick(self.count * TICK_NS)

    def tick(self, now_ns: int) -> None:
        picture = self.tick_engine(Tick(now_ns))
        for it in picture.transitions:
            self.keeper.alarm(it)
        if (press := presses(picture)) is not None:
            self.engine.act(Action(now_ns, press[0], press[1], "automatic"))


def make(path: Path, minutes: float) -> None:
    day, begun = Kept(path), time.process_time()
    while day.count * TICK_NS < minutes / 60 * HOUR_NS:
        day.step()
    day.keeper.close()
    print(
        f"recorded {minutes:g} min, {path.stat().st_size / 1e6:.0f} MB, in {time.process_time() - begun:.0f} s",
        flush=True,
    )


def asked(player: Player, numbers) -> tuple[np.ndarray, np.ndarray]:
    """(processor s, clock s) of each picture asked for."""
    used, waited = [], []
    for number in numbers:
        begun, at = time.process_time(), time.perf_counter()
        player.picture(number)
        used.append(time.process_time() - begun)
        waited.append(time.perf_counter() - at)
    return np.array(used), np.array(waited)


def told(name: str, times: tuple[np.ndarray, np.ndarray]) -> None:
    for what, values in zip(("processor", "clock"), times, strict=True):
        half, most, all_of = np.percentile(values, (50, 99, 100)) * 1e3
        print(f"{name}, {what}: median {half:.0f} ms, p99 {most:.0f} ms, most {all_of:.0f} ms", flush=True)


def walk(path: Path) -> None:
    gc.collect()
    before, begun, at = resident_kb(), time.process_time(), time.perf_counter()
    player = Player(path)
    opened = time.perf_counter() - at
    while player.advance():
        pass
    used, waited = time.process_time() - begun, time.perf_counter() - at
    seconds = player.end_ns * 1e-9
    print(
        f"opened in {opened * 1e3:.0f} ms; gone through {seconds:.0f} s in {used:.0f} s of processor, {waited:.0f} s by clock"
    )
    print(
        f"{seconds / used:.1f} times as fast as it happened; same as live: {player.same_as_live}; {len(player.marks)} marks"
    )
    every, size = player.shelf.every_ns * 1e-9, player.shelf.bytes / 1e6
    print(f"{len(player.times)} pictures, {len(player.shelf)} states kept every {every:g} s, {size:.0f} MB of them")
    print(f"memory grew from {before / 1024:.0f} MB to {resident_kb() / 1024:.0f} MB", flush=True)
    rng = random.Random(1)
    told("seek to anywhere", asked(player, [rng.randrange(len(player.times)) for _ in range(SEEKS)]))
    back = rng.randrange(SEEKS, len(player.times))
    told("one picture back", asked(player, range(back, back - SEEKS, -1)))
    told("one picture on", asked(player, range(back, min(back + SEEKS, len(player.times)))))
    print(f"memory at the end {resident_kb() / 1024:.0f} MB")


def main() -> None:
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 120.0
    with tempfile.TemporaryDirectory() as folder:
        path = Path(sys.argv[2]) if len(sys.argv) > 2 else Path(folder) / "long.jsonl"
        if not path.exists():
            make(path, minutes)
        walk(path)


if __name__ == "__main__":
    main()
