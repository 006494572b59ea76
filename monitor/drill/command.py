"""The body of `inchwatch drill`: a virtual rig for another terminal, or another computer, to watch."""

from __future__ import annotations

import contextlib
import json
import shlex
import sys
import time
from importlib.resources import files
from math import inf
from pathlib import Path
from typing import TextIO

from drivers.ports import PortError
from monitor.drill import scenario
from monitor.drill.speak import Drill, place
from monitor.drill.wire import VirtualRig
from monitor.rig.load import RigFaults, parse_rig, read_rig
from monitor.rig.schema import Rig

_TRUTH_EVERY = 2
_WIDTH, _NAME_WIDTH = 80, 18


def packaged_rig_text(name: str) -> str:
    """The text of a rig file that comes with the program."""
    return scenario.rig_text(name)


def list_drills(as_json: bool) -> int:
    """Print every drill with its title, grouped by what must sound."""
    drills = [scenario.load(name) for name in scenario.names()]
    if as_json:
        shown = ("name", "title", "story", "rig", "must")
        print(json.dumps([{"group": _group(it)} | it.model_dump(include=set(shown)) for it in drills]))
        return 0
    for group in _GROUPS:
        members = [it for it in drills if _group(it) == group]
        if members:
            print(f"{group} ({len(members)})")
        for it in members:
            print(_fitting(f"  {it.name:<{_NAME_WIDTH}}{it.title}"))
    return 0


_GROUPS = (
    "goes well: nothing of warning or danger may sound",
    "one thing goes wrong",
    "several things go wrong",
    "a sensor is wrong",
)


def _group(it: scenario.Scenario) -> str:
    """Of what kind a drill is, by the rules that must sound."""
    rules = {must.rule for must in it.must}
    if not rules:
        return _GROUPS[0]
    if all(rule.startswith("sensor-") for rule in rules):
        return _GROUPS[3]
    return _GROUPS[1] if len(rules) == 1 else _GROUPS[2]


def _fitting(line: str) -> str:
    return line if len(line) <= _WIDTH else line[: _WIDTH - 1].rstrip() + "…"


def judge_drill(name: str, *, rig: str | None = None, seed: int = 1, as_json: bool = False) -> int:
    """Play a drill at full speed and say what sounded; exit code 0 only if exactly what must did, in time."""
    from monitor.drill import judging

    try:
        it = scenario.load(name)
        outcome, verdict = judging.judged(_plan(rig, it), it, seed)
    except RigFaults as faults:
        print(faults, file=sys.stderr)
        return 1
    except scenario.DrillError as error:
        print(f"inchwatch drill: {error}", file=sys.stderr)
        return 2
    print(judging.as_json(it, seed, outcome, verdict) if as_json else judging.in_words(it, outcome))
    return int(not outcome.well)


def _plan(rig: str | None, it: scenario.Scenario) -> Rig:
    """The rig to play on: the file given, else the one the drill is made for. Raises RigFaults."""
    return read_rig(Path(rig)) if rig else parse_rig(scenario.rig_text(it.rig), it.rig)


def run_drill(
    name: str,
    *,
    rig: str | None = None,
    ports: list[str] | None = None,
    speed: float = 1.0,
    seed: int = 1,
    truth: str | None = None,
    once: bool = False,
    as_json: bool = False,
) -> int:
    """Play a drill; returns the exit code. The sensors go on when the crew has finished, unless `once`."""
    try:
        it = scenario.load(name)
        plan = _plan(rig, it)
        where = _where(plan, ports or [])
        if not 0.0 < speed < inf:
            raise PortError(f"--speed: found {speed:g}, allowed is above 0")
        virtual = VirtualRig(plan, it, seed)
    except RigFaults as faults:
        print(faults, file=sys.stderr)
        return 1
    except (PortError, scenario.DrillError) as error:
        print(f"inchwatch drill: {error}", file=sys.stderr)
        return 2
    try:
        out = None if truth is None else sys.stdout if truth == "-" else Path(truth).open("w", encoding="utf-8")
    except OSError as error:
        print(f"inchwatch drill: --truth {truth}: {error.strerror}", file=sys.stderr)
        return 1
    teller = TruthTeller(plan, out) if out else None
    try:
        drill = Drill(virtual, where, speed=speed, on_step=teller.tell if teller else None, say_trouble=_trouble)
    except PortError as error:
        print(f"inchwatch drill: {error}", file=sys.stderr)
        return 1
    _introduce(plan, rig, drill, as_json)
    drill.start()
    try:
        drill.done.wait()
        if not once and drill.failure is None:
            _say("the crew has finished; the sensors go on until Ctrl-C")
            drill.ended.wait()
        if isinstance(drill.failure, OSError) and not isinstance(drill.failure, BrokenPipeError):
            _say(f"inchwatch drill: --truth {truth}: {drill.failure.strerror}")
            return 1
        if drill.failure is not None:
            raise drill.failure  # whoever read standard output has gone: the command line ends quietly on that
    finally:
        drill.stop()
        if out is not None and out is not sys.stdout:
            with contextlib.suppress(OSError):  # every line was flushed: what cannot be written was said above
                out.close()
    return 0


def _say(text: str) -> None:
    """One write, so that what two threads say is never woven into one line."""
    sys.stderr.write(text + "\n")
    sys.stderr.flush()


def _trouble(text: str) -> None:
    _say(f"inchwatch drill: {text}")


def _where(rig: Rig, overrides: list[str]) -> dict[str, str]:
    where = {}
    names = [port.name for port in rig.port]
    for override in overrides:
        name, equals, url = override.partition("=")
        if not equals or not url or name not in names:
            raise PortError(f"--port: found '{override}', allowed is NAME=URL with NAME one of {', '.join(names)}")
        where[name] = url
    return where


def _introduce(rig: Rig, path: str | None, drill: Drill, as_json: bool) -> None:
    """Say where the ports are, and what to type in another terminal."""
    it = drill.virtual.scenario
    if as_json:
        print(json.dumps({"drill": it.name, "rig": rig.rig.name, "ports": drill.urls}), flush=True)
        return
    named = {port.name: place(port) for port in rig.port}
    moved = [f"--port {shlex.quote(f'{name}={url}')}" for name, url in drill.urls.items() if url != named[name]]
    file = path or str(files("monitor.drill").joinpath(f"rigs/{it.rig}.toml"))
    lines = [f"{it.name}: {it.title}", *(f"  {name} is at {url}" for name, url in drill.urls.items())]
    lines.append(" ".join(["watch it with: inchwatch run", shlex.quote(file), *moved]))
    _say("\n".join(lines))


class TruthTeller:
    """Writes what truly happens, ten lines a second."""

    def __init__(self, rig: Rig, out: TextIO) -> None:
        self._rig, self._out, self._count = rig, out, 0

    def tell(self, virtual: VirtualRig) -> None:
        """One line, every other step."""
        self._count += 1
        if self._count % _TRUTH_EVERY == 0:
            print(
                json.dumps(truth_line(self._rig, virtual) | {"utc": round(time.time(), 4)}), file=self._out, flush=True
            )


def truth_line(rig: Rig, virtual: VirtualRig) -> dict[str, object]:
    """What is true now, in SI."""
    truth = virtual.truth
    return {
        "kind": "truth",
        "t": virtual.time_ns * 1e-9,
        "phase": virtual.crew.phase,
        "rise_m": max(truth.rise(stack.at) for stack in rig.stack),
        "rate_m_s": max(truth.rise_rate(stack.at) for stack in rig.stack),
        "tilt_x_rad": truth.tilt((1.0, 0.0)),
        "tilt_y_rad": truth.tilt((0.0, 1.0)),
        "lean_m": {stack.name: list(truth.lean(stack)) for stack in rig.stack},
        "gap_m": {name: truth.gap(name) for name in truth.shores},
        "pressure_pa": {name: bag.pressure() for name, bag in truth.bags.items()},
        "height_m": {name: bag.height for name, bag in truth.bags.items()},
        "force_n": dict(truth.forces),
    }
