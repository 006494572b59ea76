"""The body of `inchwatch run`: rig file in, ports open, journal kept, screen or lines out."""

from __future__ import annotations

import sys
import threading
from contextlib import AbstractContextManager, ExitStack
from dataclasses import replace

from monitor.link.broker import NotServed, Served, serving
from monitor.link.keeper import Keeper
from monitor.live import hand, typed
from monitor.live.announcing import announced
from monitor.live.headless import Lines, print_until
from monitor.live.opening import Call, NotOpened, Opened, ended, ended_by_signal, opened, typed_lines
from monitor.live.session import Session
from monitor.rig.schema import Link


def run(call: Call) -> int:
    """Run a session as called; returns the exit code."""
    with ExitStack() as stack:
        try:
            served = stack.enter_context(_serving(call)) if call.serve is not None else None
            by = hand.presses if call.headless and not call.actions else None
            it = opened("run", call, by, screen=not call.headless)
        except NotServed as error:
            print(f"inchwatch run: --serve: {error}", file=sys.stderr)
            return 2
        except NotOpened as why:
            return why.code
        told = ""
        if served is not None:
            link = Link(host="localhost").at(served.url, "--serve")
            it = replace(it, link=link.model_copy(update={"password_file": served.password_file}))
            told = served.words
            print(told, file=sys.stderr)
        ours = served.keeper if served is not None else None
        return _headless(call, it, ours) if call.headless else _screen(call, it, told, ours)


def _serving(call: Call) -> AbstractContextManager[Served]:
    """A broker of our own, as called."""
    return serving(call.serve or None, certificate=call.certificate, key=call.key)


def _headless(call: Call, it: Opened, ours: Keeper | None) -> int:
    stop, session = threading.Event(), it.session
    lines = Lines(session.rig.rig.units, call.as_json, session.wall_start_s)
    session.on_failure = stop.set
    print(session.recording, file=sys.stderr)
    with ended_by_signal(stop), announced(it, lines.take, aloud=True, ours=ours):
        session.start(it.ports, it.keeper)
        if call.actions:
            threading.Thread(target=_read_actions, args=(session,), name="actions", daemon=True).start()
        print_until(lines, sys.stdout, stop, it.for_s, session.stop)
    return ended(session)


def _screen(call: Call, it: Opened, told: str, ours: Keeper | None) -> int:
    from monitor.screens.operator import run_operator

    session = it.session
    with announced(it, ours=ours):
        session.start(it.ports, it.keeper)
        try:
            run_operator(session, bell=call.bell, sound=call.sound, for_s=it.for_s, told=told)
        finally:
            session.stop()
    print(session.recording, file=sys.stderr)
    return ended(session)


def _read_actions(session: Session) -> None:
    for line in typed_lines(sys.stdin.fileno()):
        if not line.strip():
            continue
        try:
            verb, details = typed.parse(line.decode(errors="replace").strip())
        except typed.BadAction as error:
            print(f"standard input: {error}", file=sys.stderr)
        else:
            session.send(verb, **details)
