"""The body of `inchwatch follow`: a rig at a broker on the safety screen, all of them on one, or either as lines."""

from __future__ import annotations

import sys
import threading
import time
from dataclasses import dataclass, replace
from typing import Any

import orjson
from pydantic import ValidationError

from drivers.kinds.mqtt import Broker
from drivers.ports import PortError
from monitor import encode
from monitor.link import wire
from monitor.link.discovery import Rigs, Row, worst
from monitor.link.follower import Follower
from monitor.live import typed
from monitor.live.clock import running_ns
from monitor.live.headless import Lines
from monitor.live.opening import BadCall, duration, ended_by_signal, on_a_terminal, typed_lines

_LOOK_S = 0.05
"""So often it is looked whether there is something to print."""
_MORE_S = 0.3
"""What a broker keeps comes right behind its answer; for so long other rigs are waited for."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What was typed after `inchwatch follow`. `secrets`: keys of a broker's table, those that were given."""

    broker: str
    rig: str | None = None
    all: bool = False
    as_json: bool = False
    for_: str | None = None
    who: str | None = None
    actions: bool = False
    bell: bool = True
    sound: str | None = None
    secrets: tuple[tuple[str, str], ...] = ()


def print_schemas() -> int:
    """The JSON Schema of what is said on each topic, as one object."""
    print(orjson.dumps(wire.schemas(), option=orjson.OPT_INDENT_2).decode())
    return 0


def follow(call: Wanted) -> int:
    """Follow as called; returns the exit code: 1 if there was nothing to follow, 2 if the call is wrong."""
    try:
        config, for_s = broker(call), duration(call.for_)
        if call.who is not None and not call.who.strip().isprintable():
            raise BadCall(f"--name: found {call.who!r}, allowed is one line of text")
    except (BadCall, PortError) as error:
        print(f"inchwatch follow: {error}", file=sys.stderr)
        return 2
    stop = threading.Event()
    until = None if for_s is None else time.monotonic() + for_s
    return _all(call, config, stop, until) if call.all else _one(call, config, stop, until)


def broker(call: Wanted) -> Broker:
    """The broker that is meant, and how to be let in. Raises BadCall, PortError."""
    at = Broker(host="localhost").at(call.broker, "BROKER")
    given = {"host": at.host, "port": at.port, "tls": at.tls, "user": at.user} | dict(call.secrets)
    try:
        return Broker.model_validate(given)
    except ValidationError as error:
        first = error.errors()[0]
        option = "--" + str(first["loc"][0]).replace("_", "-")
        raise BadCall(f"{option}: found '{first['input']}', {first['msg']}") from None


def _one(call: Wanted, config: Broker, stop: threading.Event, until: float | None) -> int:
    name = call.rig
    if name is None:
        with ended_by_signal(stop):
            found = _found(config, stop, until)
        if not found:
            print("inchwatch follow: no rig was announced at this broker", file=sys.stderr)
            return 1
        if len(found) > 1:
            listed = "\n".join(f"  {wire.legible(it)}" for it in found)
            print(f"inchwatch follow: found {len(found)} rigs; say which, or --all:\n{listed}", file=sys.stderr)
            return 2
        name = found[0]
    it = Follower(config, name, call.who or "", running_ns)
    it.start()
    try:
        if call.actions:
            threading.Thread(target=_read_actions, args=(it,), name="actions", daemon=True).start()
        if call.as_json or call.actions or not on_a_terminal():
            with ended_by_signal(stop):
                _print(_Lines(it, call.as_json), call.as_json, stop, until)
            return 0 if it.picture is not None else 1
        return _screen(it, call, stop, until)
    finally:
        it.stop()
        _say_counts(it)


def _screen(it: Follower, call: Wanted, stop: threading.Event, until: float | None) -> int:
    from monitor.screens.safety import run_safety

    said = None
    with ended_by_signal(stop):
        while not it.ready and not _over(stop, until):
            if it.trouble != said:
                said = it.trouble
                waits = f"waiting for '{it.name}' at {it.broker}"
                print(wire.legible(f"inchwatch follow: {waits}{said and ': '}{said}"), file=sys.stderr)
            stop.wait(_LOOK_S)
    if not it.ready:
        return 1
    run_safety(it, bell=call.bell, sound=call.sound, for_s=_left(until))
    return 0


def _all(call: Wanted, config: Broker, stop: threading.Event, until: float | None) -> int:
    it = Rigs(config, running_ns, who=call.who or "")
    it.start()
    try:
        if not call.as_json and on_a_terminal():
            from monitor.screens.overview import run_overview

            run_overview(it, bell=call.bell, sound=call.sound, for_s=_left(until))
        else:
            with ended_by_signal(stop):
                _print(_Overview(it, call.as_json), call.as_json, stop, until)
    finally:
        it.stop()
    return 0 if it.rows() else 1


def _found(config: Broker, stop: threading.Event, until: float | None) -> list[str]:
    """The names of the rigs at a broker, waited for while there is none."""
    it = Rigs(config, running_ns, ("presence",))
    it.start()
    said = ""
    try:
        while not it.asked.is_set() and not _over(stop, until):
            if it.down != said:
                said = it.down
                print(f"inchwatch follow: {said}", file=sys.stderr)
            it.asked.wait(_LOOK_S)
        stop.wait(_MORE_S)
        while not it.names() and not _over(stop, until):
            if said != "none":
                said = "none"
                print("inchwatch follow: no rig at this broker yet, waiting for one", file=sys.stderr)
            stop.wait(_LOOK_S)
        return it.names()
    finally:
        it.stop()


class _Lines:
    """What is new of one rig, as lines: those of `run --headless`, and one where trouble or a call comes, changes or goes."""

    def __init__(self, it: Follower, as_json: bool) -> None:
        self._it, self._json = it, as_json
        self._lines = self._of("")
        self._session = self._said = self._call = ""
        self._beaten: Any = None
        self._first = True

    def _of(self, session: str) -> Lines:
        units = self._it.rig.rig.units if session and self._it.ready else "metric"
        return Lines(units, self._json, self._it.wall_start_s)

    def new(self) -> list[str]:
        """The lines since this was last asked."""
        it, lines = self._it, []
        session, picture = it.session, it.picture
        trouble, call = it.trouble, it.call_state
        if trouble != self._said or self._first:
            self._first, self._said = False, trouble
            lines.append(self._link("state", trouble))
        if call != self._call:
            self._call = call
            lines.append(self._link("call", call))
        known = it.ready or (self._json and it.wall_start_s > 0.0)
        if session != self._session and known:
            self._session, self._lines = session, self._of(session)
        if picture is None or self._session != session:
            return lines
        changes = it.changes()
        if picture is not self._beaten or changes:
            self._beaten = picture
            lines += self._lines.of(replace(picture, transitions=changes))
        return lines

    def _link(self, what: str, text: str) -> str:
        if not self._json:
            return text or ("link: pictures are of now" if what == "state" else "call: nothing stands")
        word = (text.split(" ", 1)[0].rstrip(":").lower() if text else "ok") if what == "state" else "call"
        said = {"kind": "link", "utc": round(time.time(), 3), "rig": self._it.name, "state": word, "text": text}
        return orjson.dumps(said).decode()


class _Overview:
    """Every rig, a line each, once a second."""

    def __init__(self, it: Rigs, as_json: bool) -> None:
        self._it, self._json, self._due = it, as_json, time.monotonic() + _MORE_S

    def new(self) -> list[str]:
        """The lines that are due."""
        if time.monotonic() < self._due:
            return []
        self._due += 1.0
        rows = self._it.rows()
        return [orjson.dumps(as_json(row)).decode() if self._json else in_words(row) for row in rows]


def as_json(row: Row) -> encode.Json:
    """One rig of all, for programs."""
    name, picture, trouble = row
    said: encode.Json = {"kind": "rig", "rig": name, "trouble": trouble}
    if picture is None:
        return said | {"t": None}
    gravest = worst(picture)
    return said | {
        "t": encode.seconds(picture.time_ns),
        "stop": picture.stop_called,
        "worst": None if gravest is None else gravest.word,
        "alarms": [it.text for it in picture.alarms if it.active],
        "step": None if picture.step is None else picture.step.number,
        "rise_m": picture.load.rise_m,
        "fall_m": picture.fall_m,
    }


def in_words(row: Row) -> str:
    """One rig of all, for a person."""
    name, picture, trouble = row
    if trouble or picture is None:
        return f"{name:<24}  {trouble}"
    first = next((it.text for it in picture.alarms if it.active), "no alarm")
    return f"{name:<24}  {first}"


def _print(of: _Lines | _Overview, as_json: bool, stop: threading.Event, until: float | None) -> None:
    """Print lines until told to stop, or the time is up. A reader that has gone away ends it, and is no error."""
    try:
        while not _over(stop, until):
            for line in of.new():
                print(line if as_json else wire.legible(line), flush=True)
            stop.wait(_LOOK_S)
    except BrokenPipeError:
        pass


def _read_actions(it: Follower) -> None:
    for line in typed_lines(sys.stdin.fileno()):
        if not line.strip():
            continue
        try:
            verb, details = typed.parse(line.decode(errors="replace").strip())
            it.send(verb, **details)
        except ValueError as error:  # no action, or not one for the network
            print(f"standard input: {error}", file=sys.stderr)


def _say_counts(it: Follower) -> None:
    said = ", ".join(f"{count} {what.replace('_', ' ')}" for what, count in it.counters().items() if count)
    name = wire.legible(it.name)
    print(f"{name}: {said or 'nothing heard'}", file=sys.stderr)
    if it.odd:
        print(f"{name}: {wire.legible(it.odd)}", file=sys.stderr)


def _over(stop: threading.Event, until: float | None) -> bool:
    return stop.is_set() or (until is not None and time.monotonic() >= until)


def _left(until: float | None) -> float | None:
    return None if until is None else max(0.1, until - time.monotonic())
