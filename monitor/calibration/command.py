"""The body of `inchwatch calibrate`: one channel against a reference on real ports, led line by line on a terminal."""

from __future__ import annotations

import queue
import sys
import threading
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import orjson

from drivers.config import Channel
from drivers.reading import Reading
from monitor.calibration.guide import MAY, Figures, Guide, Stage
from monitor.calibration.keeping import keep, table
from monitor.engine.picture import Picture
from monitor.live.opening import Call, NotOpened, Opened, ended, ended_by_signal, opened, typed_lines
from monitor.live.witness import Witness
from monitor.rig.calibrated import in_words
from monitor.rig.dates import days
from monitor.rig.load import RigFaults

_HINTS = {
    Stage.WHO: "q: end",
    Stage.REFERENCE: "q: end",
    Stage.POINTS: "Enter: done, b: take the last one back, q: end",
    Stage.CONFIRM: "y: keep it, b: more points, q: end without",
}
_HEARD = {"who": "text", "reference": "value", "point": "true"}
"""The key in which an action line has what is said with it."""

_Event = Reading | Picture | bytes | None


@dataclass(frozen=True, slots=True)
class Wanted:
    """What was typed of the calibration itself."""

    channel: str
    who: str | None = None
    reference: str | None = None
    valid_for: str = "365 days"


def calibrate(call: Call, wanted: Wanted) -> int:
    """Calibrate a channel as called; returns the exit code: 0 only if a calibration was kept."""
    try:
        valid_for = days(wanted.valid_for)
    except ValueError as error:
        print(f"inchwatch calibrate: --valid-for: found '{wanted.valid_for}', allowed is {error}", file=sys.stderr)
        return 2
    try:
        it = opened("calibrate", call, None)
    except NotOpened as why:
        return why.code
    channels = {channel.name: channel for channel in it.session.rig.channel}
    if wanted.channel not in channels:
        if it.keeper is not None and call.record is not None:  # nothing was heard that could be kept
            it.keeper.close()
            Path(call.record).unlink()
        found = f"found '{wanted.channel}', allowed is a channel of {call.rig}: {', '.join(channels)}"
        print(f"inchwatch calibrate: {found}", file=sys.stderr)
        return 2
    leading = _Leading(it, call, channels[wanted.channel], wanted)
    with ended_by_signal(leading.stop):
        it.session.start(it.ports, Witness(it.keeper, leading.events.put))
        try:
            leading.lead()
        finally:
            it.session.stop()
    return max(leading.kept(valid_for), ended(it.session))


class _Leading:
    """Joins a session to the guide: readings and time in, words out, and what is typed in between."""

    def __init__(self, it: Opened, call: Call, channel: Channel, wanted: Wanted) -> None:
        self.events: queue.SimpleQueue[_Event] = queue.SimpleQueue()
        self.stop = threading.Event()
        self._session, self._call, self._channel = it.session, call, channel
        self._session.on_picture, self._session.on_failure = self.events.put, lambda: self.events.put(None)
        name, port = channel.name, channel.source.port
        self._tell(
            "begin", f"calibrating {name} ({channel.quantity}, port {port}); nothing is kept before you say so", {}
        )
        for line in in_words(it.session.rig, datetime.now(UTC)):
            if line.startswith(f"{name}: "):
                self._tell("before", f"so far: {line}", {})
        self._guide = Guide(channel, it.session.rig.rig.units, self._tell, wanted.who, wanted.reference)
        self._port_down = ""

    def lead(self) -> None:
        """Go on until it is finished, the person leaves, or the session stops."""
        self._guide.ask()
        threading.Thread(target=self._read, name="actions", daemon=True).start()
        while self._guide.stage in MAY and not self.stop.is_set() and self._session.failure is None:
            try:
                event = self.events.get(timeout=1.0)
            except queue.Empty:
                continue
            if isinstance(event, Reading):
                self._guide.reading(event)
            elif isinstance(event, bytes):
                self._take_line(event.decode(errors="replace").strip())
            elif event is not None:
                self._say_of_the_port(event)
                self._guide.time(event.time_ns)

    def kept(self, valid_for: int) -> int:
        """Keep what is to be kept; the exit code."""
        if self._guide.stage is not Stage.WRITE:
            self._tell("ended", "nothing was kept", {"file": None})
            return 1
        try:
            new = table(self._guide, datetime.now().astimezone(), valid_for)
            file, rig = keep(Path(self._call.rig), new)
        except RigFaults as faults:
            print(f"inchwatch calibrate: nothing was kept\n{faults}", file=sys.stderr)
            return 1
        except OSError as error:
            why = (error.strerror or "error").lower()
            print(f"inchwatch calibrate: nothing was kept: the file beside {self._call.rig} cannot be written ({why})",
                  file=sys.stderr)  # fmt: skip
            return 1
        name = self._channel.name
        line = next((it for it in in_words(rig, datetime.now(UTC)) if it.startswith(f"{name}: ")), name)
        self._tell("ended", f"kept in {file}: {line}", {"file": str(file)})
        return 0

    def _read(self) -> None:
        """Lines as they are typed; at their end nobody is there any more."""
        for line in typed_lines(sys.stdin.fileno()):
            self.events.put(line)
        self.events.put(b"q")

    def _take_line(self, line: str) -> None:
        if line == "q":
            self._guide.say("quit")
        elif self._call.actions:
            self._take_action(line)
        elif self._guide.stage in (Stage.WHO, Stage.REFERENCE):
            self._guide.say(self._guide.stage.value, line)
        elif line == "b":
            self._guide.say("back")
        elif self._guide.stage is Stage.POINTS:
            self._guide.say("point" if line else "done", line)
        elif line == "y":
            self._guide.say("write")
        else:
            self._tell("refused", f"found '{line[:40]}', allowed is one of  {_HINTS[Stage.CONFIRM]}", {})

    def _take_action(self, line: str) -> None:
        if not line:
            return
        try:
            given = orjson.loads(line)
            deed = given["do"]
            text = given.get(_HEARD.get(deed, ""), "")
        except (orjson.JSONDecodeError, KeyError, TypeError, AttributeError):
            deed = text = None
        if not isinstance(deed, str) or not isinstance(text, str):
            self._tell("refused", f'found {line[:60]}, allowed is a line like {{"do": "point", "true": "2 bar"}}', {})
            return
        self._guide.say(deed, text)

    def _say_of_the_port(self, picture: Picture) -> None:
        """Say once that the channel's port is gone, and once that it is back."""
        port = next(it for it in picture.ports if it.name == self._channel.source.port)
        down = port.text if port.up is False else ""
        if down != self._port_down:
            self._port_down = down
            self._tell("port", f"{port.name}: {down or port.text}", {"up": not down})

    def _tell(self, kind: str, text: str, figures: Figures) -> None:
        if self._call.as_json:
            print(orjson.dumps({"kind": kind, "text": text, **figures}).decode(), flush=True)
        elif kind == "ask":
            print(f"\n> {text}  [{_HINTS[Stage(str(figures['stage']))]}]", flush=True)
        elif kind == "refused":
            print(text, file=sys.stderr, flush=True)
        else:
            print(f"{kind:<8}{text}", flush=True)
