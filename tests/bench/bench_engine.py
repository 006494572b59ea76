"""What the engine costs: a reading and a tick of the example rig, beside an independent filter on the same model.

python tests/bench/bench_engine.py
"""

import statistics
import time
from importlib.resources import files

import filterpy.kalman
import numpy as np

from drivers.reading import Reading
from monitor.drill import scenario
from monitor.drill.offline import play
from monitor.engine.engine import Engine
from monitor.rig.load import parse_rig
from replay.entries import Tick


def entries() -> tuple:
    """The inputs of the clean drill's first minute."""
    kept = []

    class Keep:
        def write(self, entry) -> None:
            kept.append(entry)

        def alarm(self, it) -> None:
            """Outputs are not wanted here."""

    rig = parse_rig(files("monitor.drill").joinpath("rigs/yard-panel.toml").read_text(encoding="utf-8"))
    play(rig, scenario.load("stuck-shore"), keeper=Keep())
    return rig, kept


def main() -> None:
    rig, kept = entries()
    engine = Engine(rig)
    readings, ticks = [], []
    for entry in kept:
        begun = time.perf_counter_ns()
        engine.feed(entry)
        took = time.perf_counter_ns() - begun
        if isinstance(entry, Tick):
            ticks.append(took / 1e3)
        elif isinstance(entry, Reading):
            readings.append((entry.channel in engine.pose.channels, took / 1e3))
    reference = filterpy.kalman.KalmanFilter(dim_x=6, dim_z=1)
    row, r, times = np.array([[1.0, 4.7, 1.2, 0, 0, 0]]), np.array([[2.5e-7]]), []
    for _ in range(2000):
        begun = time.perf_counter_ns()
        reference.predict()
        reference.update(np.array([[0.1]]), R=r, H=row)
        times.append((time.perf_counter_ns() - begun) / 1e3)
    pose = statistics.median(took for is_pose, took in readings if is_pose)
    every = statistics.median(took for _, took in readings)
    theirs = statistics.median(times)
    print(f"a reading of the pose {pose:.1f} us, of any channel {every:.1f} us (medians of {len(readings)})")
    print(f"filterpy, one predict and update of the same size {theirs:.1f} us: ratio {pose / theirs:.2f}")
    print(f"a tick, median {statistics.median(ticks):.0f} us, slowest of {len(ticks)} {max(ticks):.0f} us")


if __name__ == "__main__":
    main()
