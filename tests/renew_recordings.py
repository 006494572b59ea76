"""Makes the recordings, their expected verdicts and their page anew, from drills. Run on purpose, never to make a test pass:

    python tests/renew_recordings.py                 everything
    python tests/renew_recordings.py NAME ...        these
    python tests/renew_recordings.py --verdicts      what is expected of the recordings as they are

Look at the difference before it is committed: a changed verdict, or a changed digest of the events, is a changed engine.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib.util
import json
import resource
import signal
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from monitor.drill import scenario
from monitor.drill.offline import play
from monitor.drill.scenario import Scenario
from monitor.drill.wire import Said, VirtualRig
from monitor.engine.picture import Picture
from monitor.live.keeping import JournalKeeper
from monitor.rig.load import parse_rig
from replay import place
from replay.writer import Split

HERE = Path(__file__).resolve().parent
FOLDER = HERE.parent / "recordings"
STARTED = datetime(2026, 1, 1, 9, tzinfo=UTC)
KIB = 1024
QUICK, SLOW = 200_000_000, 400_000_000
"""How often a sensor is heard (ns): a quarter and an eighth of what a drill sends. Long ones have the fewer."""

_spec = importlib.util.spec_from_file_location("event_log", HERE / "event_log.py")
assert _spec is not None
assert _spec.loader is not None
event_log = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(event_log)


@dataclass(frozen=True)
class Made:
    """How one recording is made: a drill, on the drill's rig; whatever a port says between two beats of `every_ns` is left out."""

    proves: str
    """What it proves: one cell of the page."""
    drill: str | dict = ""
    """A drill of the program by name, or its moves and whatever else a drill file says."""
    every_ns: int = QUICK
    us: bool = False
    split: Split | None = None
    fills: tuple[float, float] | None = None
    """The disk takes nothing more between these times (s)."""
    then: Callable[[Path], None] = field(default=lambda path: None)
    """What befalls the file afterwards."""


def moves(*them: dict, rig: str = "yard-panel") -> dict:
    """A drill of our own."""
    return {"name": "of-our-own", "title": "of our own", "story": "invented", "rig": rig, "move": list(them)}


def torn(path: Path) -> None:
    """Cut off in the middle of a line, at two thirds, as a battery that is pulled leaves a file."""
    path.write_bytes(path.read_bytes()[: path.stat().st_size * 2 // 3])
    assert not path.read_bytes().endswith(b"\n")


def edited(path: Path) -> None:
    """One digit of one reading is another, in the middle."""
    raw = path.read_bytes()
    at = raw.index(b'"v":0.', len(raw) // 2) + len(b'"v":0.')
    path.write_bytes(raw[:at] + (b"5" if raw[at : at + 1] != b"5" else b"6") + raw[at + 1 :])


WAIT = {"do": "wait", "seconds": "5 s"}
FIRST = {"do": "plan", "steps": [1, 2]}
RECORDINGS: dict[str, Made] = {
    "clean-lift": Made("a whole plan of one bag, up, held, down: every step ends as planned, nothing sounds", "one-bag"),
    "stuck-shore": Made("a shore sticks at 30 mm of rise: `shore-behind`, warning, and nothing else", "stuck-shore"),
    "wrong-order": Made(
        "the lower bag is filled while the plan names the upper: `bag-order`, danger, and nothing else", "wrong-order"
    ),
    "leaning": Made(
        "a stack leans until it is out of its cone, and people see it: `lean`, caution, then danger",
        moves(WAIT, {"do": "fill", "bag": "S1-upper", "rise": "30 mm"}, {"do": "roll", "rate": "-1.1 deg"},
              {"do": "wait", "seconds": "60 s", "lean": "155 mm"}, {"do": "roll", "rate": "0 deg"},
              {"do": "act", "action": {"do": "stop", "reason": "it leans"}}, {"do": "wait", "seconds": "2 s"}),
        every_ns=SLOW,
    ),
    "over-centre": Made(
        "a tall load nears where it goes over: `over-centre`, warning, then danger (with so few readings `bag-order` sounds, too)",
        "over-centre",
        every_ns=SLOW,
    ),
    "slip": Made("the top plate slips on the load by 45 mm: `slip`, danger", "slipping"),
    "hinge-walks": Made("the edge that the load turns on crumbles: `hinge-shift` and `moved-alone`", "hinge-walks", every_ns=SLOW),
    "leak": Made("a bag leaks under a load that stands on three stacks: `sinking`", "bag-leaks", every_ns=SLOW),
    "lost-sensor": Made("a height falls silent for six seconds: `sensor-lost`, and no rule is blind", "silent-sensor"),
    "called-stop": Made("STOP is called and cleared by people: both are in the journal, `stop-called`", "stop-called"),
    "two-stacks": Made(
        "two stacks of another rig, a little at a time at each: captured in between, nothing sounds",
        moves(WAIT, {"do": "plan", "steps": [1, 2, 3]}, {"do": "wait", "seconds": "2 s"}, rig="precast-beam"),
    ),
    "us-units": Made(
        "three bags high, screens in feet and inches: the journal is SI all the same; a shore's lock gives way, `shore-drop`",
        moves(WAIT, FIRST, {"do": "wait", "seconds": "2 s"}, {"do": "drop", "shore": "N1", "by": "0.25 in"},
              {"do": "wait", "seconds": "5 s"}, rig="three-high"),
        us=True,
    ),
    "lowering": Made(
        "up, held, the air cools until shores carry it: `hung-on-shores`; then vented without the touch of rise: `lower-not-freed`",
        moves(WAIT, {"do": "plan", "steps": [1, 2, 3]}, {"do": "cool", "bag": "S1-bag", "by": "5 degC", "seconds": "8 s"},
              {"do": "wait", "seconds": "10 s"}, {"do": "release"},
              {"do": "vent", "bag": "S1-bag", "opening": 0.6, "seconds": "4 s"}, {"do": "lock"}, {"do": "wait", "seconds": "2 s"},
              rig="one-bag"),
    ),
    "typed": Made(
        "what people type: a crib's height, a note, an item ticked, a bag isolated, an alarm acknowledged and put aside",
        moves(
            WAIT,
            {"do": "act", "action": {"do": "note", "text": "wind from the west, gusts"}},
            {"do": "fill", "bag": "S1-upper", "rise": "20 mm"},
            {"do": "act", "action": {"do": "cribbed", "at": "C1", "height": "0.25 m"}},
            {"do": "silence", "channel": "H1"},
            {"do": "wait", "seconds": "3 s"},
            {"do": "act", "action": {"do": "acknowledge", "rule": "sensor-lost", "about": "H1"}},
            {"do": "act", "action": {"do": "shelve", "rule": "sensor-lost", "about": "H1", "for": "5 s"}},
            {"do": "wait", "seconds": "7 s"},
            {"do": "restore", "channel": "H1"},
            {"do": "act", "action": {"do": "isolate", "bag": "S1-upper"}},
            {"do": "wait", "seconds": "2 s"},
            {"do": "act", "action": {"do": "abandon"}},
            {"do": "wait", "seconds": "1 s"},
        ),
    ),
    "in-parts": Made(
        "a hose is taken and the bag marked as isolated only then, over several files: one session to the engine",
        "marked-late",
        split=Split(90 * KIB),
    ),
    "cut-off": Made(
        "torn in the middle of a line: all before that plays, and the end says so", "stop-called", then=torn
    ),
    "edited": Made(
        "one digit of one reading was changed: told by the seal, and nothing from that block on is played",
        "stop-called",
        then=edited,
    ),
    "full-disk": Made(
        "the disk is full for some seconds: what is lost is counted, with its times; what was said meanwhile is marked late",
        moves(WAIT, {"do": "fill", "bag": "S1-upper", "rise": "30 mm"}, {"do": "wait", "seconds": "6 s"}),
        fills=(6.0, 12.0),
    ),
    "format-1": Made("made before there were parts, in format version 1, by a program of 2025's last weeks: it still plays"),
}  # fmt: skip


def rounded(value: object) -> object:
    """Floats to six decimals: rounded when written, never when computed."""
    if isinstance(value, float):
        return round(value, 6)
    if isinstance(value, dict):
        return {key: rounded(inner) for key, inner in value.items()}
    return [rounded(inner) for inner in value] if isinstance(value, list) else value


def expected(recording: Path) -> dict:
    """What is kept beside a recording: the verdict without the file's place, and the digest of its event log."""
    log, verdict = event_log.played(recording)
    verdict = {key: value for key, value in verdict.items() if key != "file"}
    return rounded(verdict) | {"events": hashlib.sha256(log).hexdigest()}


class Disk:
    """A disk that fills up and is cleared: the system itself refuses to make the file longer (RLIMIT_FSIZE)."""

    def __init__(self, path: Path, fills: tuple[float, float]) -> None:
        self._path, self._fills = path, fills
        self._said, self._state = "", "well"
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)

    def say(self, active: bool, text: str, _: bool) -> None:
        """What the recorder says of itself, on any thread."""
        self._said = text.replace(str(self._path.parent), "...") if active else ""

    def step(self, virtual: VirtualRig, picture: Picture) -> None:
        """Fill or clear it when it is time, and wait until the recorder says so: a drill plays faster than time passes."""
        now_s = picture.time_ns * 1e-9
        if self._state == "well" and now_s >= self._fills[0]:
            self._state = "full"
            self._limit(self._path.stat().st_size)
            place.KEPT_AT_MOST = 4 * KIB
        elif self._state == "full":
            self._state = "told"
            _wait_until(lambda: self._said != "")
            virtual.crew.notices.append(("recorder", "", True, self._said))
        elif self._state == "told" and now_s >= self._fills[1]:
            self._state = "cleared"
            self._limit(resource.RLIM_INFINITY)
            place.KEPT_AT_MOST = 64 * KIB * KIB
            _wait_until(lambda: self._said == "")
            virtual.crew.notices.append(("recorder", "", False, "recording again"))

    def _limit(self, size: int) -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, resource.getrlimit(resource.RLIMIT_FSIZE)[1]))


def _wait_until(true: Callable[[], bool]) -> None:
    deadline_s = time.monotonic() + 60.0
    while not true():
        assert time.monotonic() < deadline_s, "the recorder says nothing"
        threading.Event().wait(0.01)


def make(name: str, it: Made) -> None:
    """Make one recording. What was live is held against what is replayed, picture by picture, where all of it was kept."""
    path = FOLDER / f"{name}.jsonl"
    for old in [path, *FOLDER.glob(f"{name}.part*.jsonl")]:
        old.unlink(missing_ok=True)
    drill = scenario.load(it.drill) if isinstance(it.drill, str) else Scenario.model_validate(it.drill)
    text = scenario.rig_text(drill.rig)
    text = text.replace('units = "metric"', 'units = "us"') if it.us else text
    rig = parse_rig(text)
    disk = Disk(path, it.fills) if it.fills else None
    live: list[bytes] = []

    def step(virtual: VirtualRig, picture: Picture) -> None:
        live.append(event_log.events(picture))
        if disk is not None:
            disk.step(virtual, picture)
        if it.split is not None:  # the next file is opened by a thread that real time drives
            threading.Event().wait(0.02)

    def slower(said: Said) -> Said | None:
        return said if said.time_ns % it.every_ns == 0 else None

    keeper = JournalKeeper(path, text, rig.rig.name, disk.say if disk else _tell, STARTED, split=it.split)
    play(rig, drill, keeper=keeper, on_step=step, doctor=slower)
    keeper.close()
    if not it.fills:
        assert event_log.played(path)[0] == b"".join(live), f"{name}: a replay is not what was live"
    it.then(path)


def _tell(active: bool, text: str, _: bool) -> None:
    print(f"  {text}")  # a disk that is slow costs nothing: a gap would show in the verdict


def page() -> str:
    """recordings/README.md."""
    rows = "".join(f"| `{name}.jsonl` | {it.proves} |\n" for name, it in RECORDINGS.items())
    return f"""# Recordings

Small recorded sessions with their expected verdicts, all from drills (invented loads, real byte formats; sensors at five readings
a second or half of that, where a drill sends twenty). Beside each stands what `inchwatch judge FILE --json` says of it, and
`events`: the SHA-256 of its event log (`tests/event_log.py`), which holds a digest of every picture and every alarm. When it was
made, that was also what was live.

| recording | what it proves |
|---|---|
{rows}
`python tests/renew_recordings.py` makes all but the last anew, on purpose; with `--verdicts`, what is expected of them.
`tests/test_recordings.py` judges each twice, in two processes, and holds both event logs against that digest; `tests/pythons.py`
compares those of every Python that it finds, byte for byte.
"""


def main() -> None:
    """Make what was asked for."""
    asked = argparse.ArgumentParser()
    asked.add_argument("names", nargs="*", help="recordings; without: all")
    asked.add_argument("--verdicts", action="store_true", help="leave the recordings as they are")
    given = asked.parse_args()
    for name in given.names or RECORDINGS:
        it = RECORDINGS[name]
        if it.drill and not given.verdicts:
            make(name, it)
        path = FOLDER / f"{name}.jsonl"
        verdict = expected(path)
        path.with_suffix(".verdict.json").write_text(json.dumps(verdict, indent=1) + "\n")
        sounded = ", ".join(dict.fromkeys(f"{it['rule']} {it['priority']}" for it in verdict["alarms"])) or "no alarm"
        print(f"{name}: {verdict['seconds']:.1f} s, {path.stat().st_size / 1000:.0f} kB; {sounded}", flush=True)
    (FOLDER / "README.md").write_text(page())


if __name__ == "__main__":
    main()
