"""The body of `inchwatch judge`: recordings run through the engine again, at full speed, and what it says of them."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import orjson

from drivers.reading import Reading
from monitor import encode
from monitor.debrief.verdict import Verdict
from monitor.encode import Json
from monitor.engine.engine import Engine
from monitor.engine.picture import Picture, Priority
from monitor.rig.load import RigFaults, kept_rig, parse_limits, read_text
from monitor.rig.schema import Limits, Rig
from replay.codec import AlarmLine, Gap
from replay.entries import Entry, Notice, Tick
from replay.journal import JournalError
from replay.recording import Recording, read_recording, recordings, unread


def judge(files: Sequence[str], *, as_json: bool, limits: str | None = None, fail_on: str | None = None) -> int:
    """Print a verdict a session; returns the exit code: 1 if a file cannot be judged, or `fail_on` was reached.

    `files` may be folders, and files of one session are one.
    """
    try:
        other = read_limits(Path(limits)) if limits else None
    except RigFaults as faults:
        print(faults, file=sys.stderr)
        return 2
    failed = False
    for said in unread([*map(Path, files)]):
        print(f"inchwatch judge: {said}", file=sys.stderr)
    for found in recordings(map(Path, files)):
        try:
            if isinstance(found, JournalError):
                raise found
            verdict = _judged(found, other)
        except (JournalError, RigFaults) as error:
            print(f"inchwatch judge: {error}", file=sys.stderr)
            failed = True
            continue
        show(verdict, as_json=as_json)
        failed |= reached(verdict, fail_on)
    return int(failed)


def show(verdict: Json, *, as_json: bool) -> None:
    """Print a verdict."""
    if as_json and verdict["damage"]:
        print(f"inchwatch judge: {verdict['file']}: {verdict['damage']}", file=sys.stderr)
    print(orjson.dumps(verdict).decode() if as_json else in_words(verdict), flush=True)


def reached(verdict: Json, priority: str | None) -> bool:
    """Whether an alarm of a priority or above was raised; False for no priority."""
    return priority is not None and any(
        Priority[alarm["priority"].upper()] >= Priority[priority.upper()] for alarm in verdict["alarms"]
    )


def judged(path: Path, limits: dict[str, Any] | None = None) -> Json:
    """The verdict on one session: a file of it, or its folder. `limits` are put in place of the rig file's own.

    Raises JournalError, RigFaults.
    """
    return _judged(read_recording(path), limits)


class Pass:
    """One pass of the engine over a recording: hand it every line of `recording.lines()`, then ask for the verdict.

    `limits` are put in place of the rig file's own. Raises RigFaults.
    """

    def __init__(self, recording: Recording, limits: dict[str, Any] | None = None) -> None:
        self._recording, self._own = recording, limits is None
        rig = kept_rig(recording.header.rig, f"{recording.path}: rig file")
        self.rig = rig if limits is None else under(rig, limits)
        self._run = Rerun(self.rig)
        self.take = self._run.take

    def verdict(self) -> Json:
        """The verdict, once every line was taken."""
        recording, run = self._recording, self._run
        return {
            "file": str(recording.path),
            "parts": len(recording.parts),
            "rig": self.rig.rig.name,
            "seconds": round(run.last_ns * 1e-9, 4),
            "samples": run.samples,
            "complete": recording.complete,
            "damage": recording.damage,
            "lost": sum(gap.lost for gap in recording.gaps),
            "gaps": [_gap(it) for it in recording.gaps],
            "passed_over": recording.unknown,
            "same_as_live": run.same_as_live(recording.complete) if self._own else None,
            "late": run.late,
            **run.verdict.as_json(),
        }


def _judged(recording: Recording, limits: dict[str, Any] | None) -> Json:
    one = Pass(recording, limits)
    for line in recording.lines():
        one.take(line)
    return one.verdict()


class Rerun:
    """Feeds a recording's inputs to an engine, and keeps what it says beside what was said live."""

    def __init__(self, rig: Rig) -> None:
        self.verdict = Verdict()
        self.samples = 0
        self.late = 0
        self.last_ns = 0
        self.engine = Engine(rig)
        self._live: list[tuple[int, Json]] = []

    def take(self, line: Entry | AlarmLine) -> Picture | None:
        """Take one line of a journal; a tick gives a picture."""
        if isinstance(line, Reading):
            self.samples += 1
            self.engine.accept(line)
            if line.time_ns > self.last_ns:
                self.last_ns = line.time_ns
            return None
        if isinstance(line, AlarmLine):
            self._live.append((line.time_ns, line.alarm))
            return None
        if line.time_ns > self.last_ns:
            self.last_ns = line.time_ns
        if isinstance(line, Tick):
            picture = self.engine.tick(line)
            self.verdict.take(picture)
            return picture
        self.late += isinstance(line, Notice) and line.late
        self.engine.feed(line)
        return None

    def same_as_live(self, complete: bool) -> bool:
        """Whether the engine said the same alarms at the same times, to the bit.

        In a recording that was cut off, the alarms of its very last moment may not have been written any more. One made
        before a key was added holds the others, and is judged by those.
        """
        again = [(it.time_ns, encode.transition(it)) for it in self.verdict.transitions]
        if not complete:
            rest = again[len(self._live) :]
            if all(time_ns >= self.last_ns for time_ns, _ in rest):
                again = again[: len(self._live)]
        if len(again) != len(self._live):
            return False
        return all(
            time_ns == live_ns and live == {key: said[key] for key in live if key in said}
            for (time_ns, said), (live_ns, live) in zip(again, self._live, strict=True)
        )


def in_words(verdict: Json) -> str:
    """A verdict for a person."""
    parts = f" in {verdict['parts']} files" if verdict["parts"] > 1 else ""
    said = [f"{verdict['file']}: {verdict['rig']}, {verdict['seconds']:.1f} s, {verdict['samples']} readings{parts}"]
    if verdict["damage"]:
        said.append(f"  {verdict['damage']}")
    said += [f"  {_gap_in_words(it)}" for it in verdict["gaps"]]
    if verdict["same_as_live"] is None:
        said.append("  judged under other limits than its own: what follows is not what was live")
    else:
        because = ", which had all entries" if verdict["gaps"] else ""
        said.append(
            "  the engine says the same as it did live"
            if verdict["same_as_live"]
            else f"  NOT THE SAME AS LIVE{because}: the engine now says something else"
        )
    for step in verdict["steps"]:
        ended = "not ended" if step["ended"] is None else f"{step['ended']:.1f} s"
        well = {True: "as planned", False: "before its stop", None: ""}[step["ok"]]
        said.append(
            f"  step {step['step']} {step['do']} {step['bag'] or '':<12} {step['started']:.1f} s to {ended} {well}"
        )
    for alarm in verdict["alarms"]:
        cleared = "stands" if alarm["cleared"] is None else f"cleared {alarm['cleared']:.1f} s"
        said.append(f"  {alarm['raised']:7.1f} s  {alarm['text']}  ({cleared})")
    if not verdict["alarms"]:
        said.append("  no alarm")
    return "\n".join(line.rstrip() for line in said)


def _gap(it: Gap) -> Json:
    times = {
        key: None if time_ns is None else round(time_ns * 1e-9, 4)
        for key, time_ns in (("from", it.from_ns), ("to", it.to_ns))
    }
    return {"lost": it.lost, "alarms": it.alarms, **times}


def _gap_in_words(gap: Json) -> str:
    """What was lost between when and when, for a person."""
    alarms = f" and {gap['alarms']} alarm lines" if gap["alarms"] else ""
    when = "" if gap["from"] is None else f" from {gap['from']:.1f} s to {gap['to']:.1f} s"
    return f"LOST: {gap['lost']} entries{alarms}{when}, when nothing could be written"


def read_limits(path: Path) -> dict[str, Any]:
    """The [limits] of a file, for another judgement. Raises RigFaults."""
    return parse_limits(read_text(path, "a file with [limits]"), str(path))


def under(rig: Rig, limits: dict[str, Any]) -> Rig:
    """The rig with some of its limits replaced."""
    other = Limits.model_validate(limits)
    replaced = {name: getattr(other, name) for name in other.model_fields_set}
    return rig.model_copy(update={"limits": rig.limits.model_copy(update=replaced)})
