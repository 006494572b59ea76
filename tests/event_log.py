"""The event log of a recording: every picture that the engine makes of it, by its digest, and every alarm transition, whole.

    python tests/event_log.py --into FOLDER RECORDING ...

writes FOLDER/RECORDING.events: a line a picture, `TIME_NS DIGEST`, and the transitions that came with it as JSON. Two runs that
heard the same said the same if these files are the same to the byte. It needs nothing but inchwatch, so any Python runs it.
"""

from __future__ import annotations

import argparse
import hashlib
from collections.abc import Mapping
from pathlib import Path

import orjson

from monitor.debrief.judge import Pass
from monitor.encode import Json, transition
from monitor.engine.picture import Picture
from replay.recording import read_recording


def events(picture: Picture) -> bytes:
    """What one picture adds to the log. Floats go into the digest in the shortest form that reads back to the same bits."""
    digest = hashlib.sha256(orjson.dumps(picture, default=_plain)).hexdigest()[:32]
    said = [orjson.dumps(transition(it), option=orjson.OPT_APPEND_NEWLINE) for it in picture.transitions]
    return b"%d %s\n" % (picture.time_ns, digest.encode()) + b"".join(said)


def played(path: Path) -> tuple[bytes, Json]:
    """The event log of a recording, as far as it plays, and the verdict on it, of one pass."""
    recording = read_recording(path)
    one = Pass(recording)
    pictures = (one.take(line) for line in recording.lines())
    log = b"".join(events(it) for it in pictures if it is not None)
    return log, one.verdict()


def _plain(value: object) -> object:
    """What orjson does not know. A set has no order that is the same in another process: there must be none."""
    if isinstance(value, Mapping):
        return dict(value)
    raise TypeError(f"no place in a picture for {type(value)}")


def main() -> None:
    """Write the event logs of the recordings that were named."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--into", type=Path, required=True)
    asked.add_argument("recordings", type=Path, nargs="+")
    given = asked.parse_args()
    given.into.mkdir(parents=True, exist_ok=True)
    for path in given.recordings:
        (given.into / f"{path.name.removesuffix('.jsonl')}.events").write_bytes(played(path)[0])


if __name__ == "__main__":
    main()
