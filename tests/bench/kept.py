"""Work in many like parts that is kept as it goes, one JSON line a part, so that a run cut short goes on where it stopped."""

import json
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict
from pathlib import Path
from typing import Any


def kept(part: Callable[[int], Any], seeds: range, workers: int | None, path: Path | None) -> Iterator[dict[str, Any]]:
    """What `part` (a dataclass) comes to for every seed, as a dict each, in no order; from `path` where it stands there."""
    known = {}
    if path is not None and path.exists():
        known = {it["seed"]: it for it in map(json.loads, path.read_text().splitlines())}
    yield from (it for seed, it in known.items() if seed in seeds)
    with ProcessPoolExecutor(workers) as pool:
        for ready in as_completed(pool.submit(part, seed) for seed in seeds if seed not in known):
            found = asdict(ready.result())
            if path is not None:
                with path.open("a") as out:
                    out.write(json.dumps(found) + "\n")
            yield found
