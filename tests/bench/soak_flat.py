"""Whether a program's CPU stays flat, told apart from what the computer around it does.

python tests/bench/soak_flat.py MEASURES.jsonl    (what bench_soak.py --keep left)

The same work costs more CPU where the computer has less else to do, for the program's threads are then woken more often and each
time find less; and where it has more, for two processors that share a core slow each other. So the share of a processor (every ten
seconds) is fitted by least squares to wakings a second, to what the sender's steady work cost just then, and to time. What goes
with time alone is the program's own.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

FEWEST = 30
"""Spans of ten seconds, below which nothing is said."""


def flatness(measures: Sequence[dict[str, Any]]) -> dict[str, float] | None:
    """From the first measure to the last: `drift`, the change of the program's CPU that goes with time alone, as a share of its
    mean; `sd`, one standard deviation of that; `waking_s`, what a waking costs (s). None for too few measures."""
    spans = [(a, b, b["s"] - a["s"]) for a, b in pairwise(measures)]
    if len(spans) < FEWEST:
        return None
    begun, lasted = measures[0]["s"], measures[-1]["s"] - measures[0]["s"]
    shares = np.array([(b["cpu_s"] - a["cpu_s"]) / s for a, b, s in spans])
    causes = np.array([
        (1.0, (b["wakings"] - a["wakings"]) / s, _sending(a["sender"], b["sender"]), ((a["s"] + b["s"]) / 2 - begun) / lasted)
        for a, b, s in spans
    ])  # fmt: skip
    moving = [0, *(i for i in (1, 2) if np.ptp(causes[:, i]) > 0.0), 3]
    fitted = causes[:, moving]
    found, *_ = np.linalg.lstsq(fitted, shares, rcond=None)
    left = shares - fitted @ found
    spread = left @ left / (len(shares) - len(moving))
    sd = float(np.sqrt(spread * np.linalg.inv(fitted.T @ fitted)[-1, -1]))
    mean = float(shares.mean())
    return {
        "drift": float(found[-1]) / mean,
        "sd": sd / mean,
        "waking_s": float(found[1]) if 1 in moving else 0.0,
    }


def _sending(a: dict[str, Any], b: dict[str, Any]) -> float:
    """CPU that the sender used for a beat of its clock (s)."""
    return (b["cpu_s"] - a["cpu_s"]) / max(1, b["ticks"] - a["ticks"])


def told(found: dict[str, float]) -> str:
    """The same for a person."""
    return f"{100 * found['drift']:+.1f} % +- {200 * found['sd']:.1f} % (95 %); a waking costs {1e6 * found['waking_s']:.0f} us"


def main(path: Path) -> None:
    lines = map(json.loads, path.read_text().splitlines())
    measures = [it for it in lines if "s" in it and it["s"] >= 300.0]
    found = flatness(measures)
    print("too short to say" if found is None else told(found))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
