"""The body of `inchwatch demo`: a drill on loopback wires, joined to the operator's screen. No hardware, file or broker.

The serial lines are real ones (TCP on loopback) and so is everything from the drivers up; only the load is invented. The hand
takes the zero and ends the steps, as on any run without a person.
"""

from __future__ import annotations

import sys

import orjson

from drivers.config import Port
from drivers.ports import PortError, redirect
from monitor.debrief.verdict import Verdict
from monitor.drill import scenario
from monitor.drill.command import packaged_rig_text
from monitor.drill.speak import Drill
from monitor.drill.wire import VirtualRig
from monitor.engine.picture import Picture
from monitor.live import hand
from monitor.live.headless import Lines, print_until
from monitor.live.opening import on_a_terminal
from monitor.live.session import Session
from monitor.rig.load import parse_rig

DEMO_RIG = "training-yard"
_ANY_PORT = "socket://127.0.0.1:0"


def demo(name: str, *, seed: int, headless: bool, as_json: bool, bell: bool, sound: str | None = None) -> int:
    """Play a drill on the operator's screen, or headless with its verdict; returns the exit code.

    Headless, the code is 1 if the drill sounded something else than it must (cautions besides are allowed).
    """
    try:
        it = scenario.load(name)
        made_for = DEMO_RIG if it.rig == scenario.DEFAULT_RIG else it.rig  # the same panel, without a broker
        rig = parse_rig(packaged_rig_text(made_for), made_for)
        virtual = VirtualRig(rig, it, seed)
        drill = Drill(virtual, {port.name: _ANY_PORT for port in rig.port})
    except (scenario.DrillError, PortError) as error:
        print(f"inchwatch demo: {error}", file=sys.stderr)
        return 2
    session = Session(rig, hand=hand.presses)
    session.recording = "a drill: not recorded"
    ports = [redirect(port, drill.urls[port.name]) for port in rig.port]
    drill.start()
    try:
        if headless or not on_a_terminal():
            return _headless(session, drill, as_json, ports)
        from monitor.screens.operator import run_operator

        session.start(ports)
        run_operator(session, bell=bell, sound=sound)
    finally:
        session.stop()
        drill.stop()
    return 0


def _headless(session: Session, drill: Drill, as_json: bool, ports: list[Port]) -> int:
    lines = Lines(session.rig.rig.units, as_json, session.wall_start_s)
    verdict = Verdict()

    def take(picture: Picture) -> None:
        verdict.take(picture)
        lines.take(picture)

    session.on_picture, session.on_failure = take, drill.done.set
    session.start(ports)
    print_until(lines, sys.stdout, drill.done, None, session.stop)
    missed, besides = compared(drill.virtual.scenario, verdict)
    if as_json:
        print(orjson.dumps({"kind": "verdict", "missed": missed, "besides": besides, **verdict.as_json()}).decode())
    else:
        print(_words(drill.virtual.scenario, missed, besides))
    return int(bool(missed or besides))


def compared(it: scenario.Scenario, verdict: Verdict) -> tuple[list[str], list[str]]:
    """(what the drill must sound and did not, what of warning or danger sounded besides)."""
    must = {(m.rule, m.about, m.priority) for m in it.must}
    sounded = {(a["rule"], a["about"], a["priority"]) for a in verdict.alarms}
    besides = {key for key in sounded - must if key[2] in ("warning", "danger")}
    return sorted(map(" ".join, must - sounded)), sorted(map(" ".join, besides))


def _words(it: scenario.Scenario, missed: list[str], besides: list[str]) -> str:
    lines = [f"drill {it.name}: {it.title}"]
    lines += [
        f"  sounded, as it must: {m.rule} {m.about}, {m.priority}"
        for m in it.must
        if f"{m.rule} {m.about} {m.priority}" not in missed
    ]
    lines += [f"  DID NOT SOUND: {key}" for key in missed]
    lines += [f"  SOUNDED BESIDES: {key}" for key in besides]
    lines.append("verdict: " + ("not as it must be" if missed or besides else "as it must be"))
    return "\n".join(lines)
