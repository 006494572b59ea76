"""The body of `inchwatch run`: rig file in, ports open, journal kept, screen or lines out."""

from __future__ import annotations

import sys
import threading

from monitor.live import hand, typed
from monitor.live.announcing import announced
from monitor.live.headless import Lines, print_until
from monitor.live.opening import Call, NotOpened, Opened, ended, ended_by_signal, opened, typed_lines
from monitor.live.session import Session


def run(call: Call) -> int:
    """Run a session as called; returns the exit code."""
    try:
        it = opened("run", call, hand.presses if call.headless and not call.actions else None, screen=not call.headless)
    except NotOpened as why:
        return why.code
    return _headless(call, it) if call.headless else _screen(call, it)


def _headless(call: Call, it: Opened) -> int:
    stop, session = threading.Event(), it.session
    lines = Lines(session.rig.rig.units, call.as_json, session.wall_start_s)
    session.on_failure = stop.set
    print(session.recording, file=sys.stderr)
    with ended_by_signal(stop), announced(it, lines.take, aloud=True):
        session.start(it.ports, it.keeper)
        if call.actions:
            threading.Thread(target=_read_actions, args=(session,), name="actions", daemon=True).start()
        print_until(lines, sys.stdout, stop, it.for_s, session.stop)
    return ended(session)


def _screen(call: Call, it: Opened) -> int:
    from monitor.screens.operator import run_operator

    session = it.session
    with announced(it):
        session.start(it.ports, it.keeper)
        try:
            run_operator(session, bell=call.bell, sound=call.sound, for_s=it.for_s)
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
