"""What is typed away from the rig: a lift followed over the network or in browsers, and lifts that are played."""

from __future__ import annotations

import argparse

from monitor.arguments import shared

TYPE_CHECKING = False
if TYPE_CHECKING:
    from monitor.arguments.shared import Commands


def demo(commands: Commands) -> None:
    """`inchwatch demo`."""
    it = shared.added(
        commands,
        "demo",
        "a simulated lift on the operator's screen: no hardware, no file, no broker",
        "Without a terminal it runs headless and prints its verdict.",
    )
    it.add_argument("--headless", action="store_true", help="no screen: print alarms, a line a second, the verdict")
    shared.as_json(it, "with --headless: JSON lines, the verdict last")
    it.add_argument("--drill", metavar="NAME", default="demo", help="another drill than the demo's own")
    shared.seed(it)
    shared.sound(it)


def drill(commands: Commands) -> None:
    """`inchwatch drill`."""
    it = shared.added(commands, "drill", "a virtual rig that speaks real wire formats on a pty, a TCP port or a broker")
    it.add_argument("scenario", nargs="?", metavar="SCENARIO", help="name of a drill, or a drill file (TOML)")
    it.add_argument("--list", action="store_true", help="list the drills and exit")
    it.add_argument(
        "--judge",
        action="store_true",
        help="play it here at full speed, no wires: exit with 0 only if it sounds exactly what it must, in time",
    )
    it.add_argument("--rig", metavar="RIG", help="rig file to play (default: the one the drill is made for)")
    speaks = "where to speak instead: socket://HOST:PORT, pty, mqtt://HOST:PORT (may be repeated)"
    shared.several(it, "--port", "NAME=URL", speaks)
    it.add_argument("--speed", type=float, default=1.0, help="times real time (default: 1)")
    shared.seed(it)
    it.add_argument("--truth", metavar="FILE", help="write what truly happens, as JSON lines (- is standard output)")
    it.add_argument("--once", action="store_true", help="end with the crew's last move; else the sensors go on")
    shared.as_json(it, "one JSON object: ports, with --judge the outcome, with --list all")


def follow(commands: Commands) -> None:
    """`inchwatch follow`."""
    it = shared.added(
        commands,
        "follow",
        "the safety officer's screen, anywhere on the network: read-only but for STOP, needs no rig file",
        "With one rig at the broker no name is needed. Without a terminal it prints what `run --headless` prints.",
    )
    it.add_argument(
        "broker", nargs="?", metavar="BROKER", help="mqtt://HOST:PORT or mqtts://USER@HOST:PORT, as `run` was given"
    )
    it.add_argument("rig", nargs="?", metavar="RIG", help="name of the rig (default: the only one there)")
    it.add_argument("--all", action="store_true", help="every rig at the broker, the worst first")
    shared.as_json(
        it,
        "one JSON object a line: pictures and alarms as `run --headless --json`, and what is wrong with the link; "
        "with --all one a rig and second",
    )
    shared.ends(it)
    it.add_argument("--name", metavar="WHO", help="who calls, if STOP is called here (default: the broker's USER)")
    shared.actions(
        it, 'lines on standard input instead of a screen; {"do": "stop", "reason": "..."} is the only action'
    )
    it.add_argument("--schema", action="store_true", help="print the JSON Schemas of all five topics and exit")
    shared.sound(it)
    shared.files(
        it,
        {
            "--password-file": "file of one line, mode 600, with USER's password",
            "--password-env": "environment variable with USER's password",
            "--ca": "authorities (PEM) that may have signed the broker's certificate (default: the machine's)",
            "--certificate": "our own certificate (PEM), where the broker asks for one",
            "--key": "its private key, mode 600",
        },
    )


def web(commands: Commands) -> None:
    """`inchwatch web`."""
    it = shared.added(
        commands,
        "web",
        "a screen in the browsers of tablets: demo, follow or replay with its arguments, a screen for each visitor",
        "Behind a password, on the loopback unless --listen says otherwise. Needs inchwatch[web].",
    )
    it.add_argument("--listen", metavar="HOST:PORT", help="where to listen (default: 127.0.0.1:8080)")
    shared.files(
        it,
        {
            "--password-file": "file of one line, mode 600 (default: made anew, and shown)",
            "--password-env": "environment variable with the password",
            "--certificate": "close it by TLS: the certificate of this computer (PEM)",
            "--key": "its private key (PEM)",
        },
    )
    it.add_argument("--most", type=int, default=8, metavar="N", help="so many visitors at once (default: 8)")
    it.anywhere = False
    it.add_argument(
        "args", nargs=argparse.REMAINDER, metavar="SCREEN ...", help="demo, follow or replay, as typed alone"
    )
