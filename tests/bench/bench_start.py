"""How fast the command starts: `inchwatch --help` beside a bare interpreter, medians of 15.

python tests/bench/bench_start.py
"""

import statistics
import subprocess
import sys
import time


def median_s(*command: str) -> float:
    times = []
    for _ in range(15):
        begun = time.perf_counter()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        times.append(time.perf_counter() - begun)
    return statistics.median(times)


if __name__ == "__main__":
    bare = median_s(sys.executable, "-c", "pass")
    ours = median_s(sys.executable, "-m", "monitor", "--help")
    print(f"bare interpreter {bare * 1e3:.0f} ms, inchwatch --help {ours * 1e3:.0f} ms, ratio {ours / bare:.1f}")
