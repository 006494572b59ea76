"""The command line: what may be typed, and nothing of what it does. Each command's work is imported when it is called."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence

CAUTION = (
    "inchwatch watches and never drives a valve. It supports and never replaces a trained safety officer, the makers' "
    "instructions, local rules and licensed practice. Nobody goes under a load held by bags alone."
)
PRIORITIES = ("notice", "caution", "warning", "danger")


def parser() -> argparse.ArgumentParser:
    """The whole command line."""
    top = argparse.ArgumentParser(
        prog="inchwatch",
        description="Live monitor for heavy loads raised on lifting bags, with shores and cribbing close behind.",
        epilog=CAUTION,
    )
    top.add_argument("--version", action="store_true", help="print the version and exit")
    top.add_argument(
        "--completion",
        choices=("bash", "zsh", "tcsh"),
        metavar="SHELL",
        help="print a completion script for bash, zsh or tcsh",
    )
    commands = top.add_subparsers(dest="command", metavar="COMMAND", title="commands")

    demo = _add(
        commands,
        "demo",
        "a simulated lift on the operator's screen: no hardware, no file, no broker",
        "Without a terminal it runs headless and prints its verdict.",
    )
    demo.add_argument("--headless", action="store_true", help="no screen: print alarms, a line a second, the verdict")
    demo.add_argument("--json", action="store_true", help="with --headless: JSON lines, the verdict last")
    demo.add_argument("--drill", metavar="NAME", default="demo", help="another drill than the demo's own")
    demo.add_argument("--seed", type=int, default=1, help="seed of the sensors' noise (default: 1)")
    _add_sound(demo)

    check = _add(commands, "check", "validate a rig file and print its lift plan sheet")
    check.add_argument("rig", nargs="?", metavar="RIG", help="rig file (TOML)")
    check.add_argument("--json", action="store_true", help="one JSON object: faults, notes, plan")
    check.add_argument(
        "--propose", action="store_true", help="print steps for a file that has none, to put at its end, instead"
    )
    check.add_argument(
        "--html", metavar="FILE", help="write the sheet as a page to print as well, with drawings to scale"
    )
    check.add_argument("--schema", action="store_true", help="print the JSON Schema of rig files instead")

    run = _add(
        commands,
        "run",
        "the operator's screen on a real rig, recording by default",
        "With --headless and without --actions it takes the zero and ends steps by itself.",
    )
    run.add_argument("rig", metavar="RIG", help="rig file (TOML)")
    run.add_argument("--headless", action="store_true", help="no screen: alarms as they happen, a picture a second")
    run.add_argument("--json", action="store_true", help="with --headless: one JSON object a line")
    run.add_argument("--for", dest="for_", metavar="TIME", help="end by itself after this long, such as 30s")
    run.add_argument(
        "--port",
        action="append",
        default=[],
        metavar="NAME=URL",
        help="where a port of the rig file is found instead (may be repeated)",
    )
    run.add_argument(
        "--actions",
        metavar="-",
        choices=("-",),
        help="with --headless: a person's actions as JSON lines on standard input",
    )
    run.add_argument(
        "--broker",
        metavar="URL",
        help="let others follow over this broker: mqtt://HOST:PORT or mqtts://USER@HOST:PORT (default: the rig file's [link])",
    )
    run.add_argument(
        "--serve",
        nargs="?",
        const="",
        metavar="ADDRESS",
        help="let others follow over a broker of its own: on this computer alone, or at HOST, HOST:PORT or :PORT, where everyone "
        "gives a password that is shown at the start (needs mosquitto installed); after RIG",
    )
    run.add_argument("--record", metavar="FILE", help="where to keep the session (default: RIG-DATE-TIME.jsonl here)")
    _add_keeping(run)
    _add_sound(run)

    sensors = _add(
        commands,
        "sensors",
        "pre-lift checks: every channel live, the zero, which one answers a breath or a move, does the air stay in",
        "Leads through them on a terminal: Enter is done or next, s leaves out, r goes back, a number ticks an item of the "
        "checklist, q ends. Exit code 0 only if all that was asked for has passed. With --board it shows every channel live "
        "instead: value, rate, age, noise, health, last fault, and the wire itself; without a terminal, a table a second.",
    )
    sensors.add_argument("rig", metavar="RIG", help="rig file (TOML)")
    sensors.add_argument(
        "--board", action="store_true", help="the live board of every channel and port in place of the checks"
    )
    sensors.add_argument(
        "--json",
        action="store_true",
        help="one JSON object a line: what is asked, results, summary; with --board, the board once a second",
    )
    sensors.add_argument(
        "--raw", action="store_true", help="with --board --json: each port's newest 20 lines as they came over the wire"
    )
    sensors.add_argument(
        "--for",
        dest="for_",
        metavar="TIME",
        help="end by itself after this long; without --board nobody is asked then: live, zero, pressure hold only",
    )
    sensors.add_argument(
        "--port",
        action="append",
        default=[],
        metavar="NAME=URL",
        help="where a port of the rig file is found instead (may be repeated)",
    )
    sensors.add_argument(
        "--actions",
        metavar="-",
        choices=("-",),
        help="a person's actions as JSON lines on standard input; next, skip, back and quit lead",
    )
    sensors.add_argument(
        "--record", metavar="FILE", help="where to keep the session (default: RIG-DATE-TIME.jsonl here)"
    )
    _add_keeping(sensors)

    calibrate = _add(
        commands,
        "calibrate",
        "calibrate a channel against a reference, led line by line; kept in RIG.calibration.toml beside the rig file",
        "Waits until the reading rests, asks for the true value with its unit, goes on to the next or fits a line, and keeps it "
        "only when told to. Exit code 0 only if it was kept.",
    )
    calibrate.add_argument("rig", metavar="RIG", help="rig file (TOML)")
    calibrate.add_argument("channel", metavar="CHANNEL", help="the channel, as the rig file names it")
    calibrate.add_argument("--who", metavar="NAME", help="who calibrates (asked for otherwise)")
    calibrate.add_argument(
        "--reference",
        metavar="SD",
        help="one standard deviation of the reference, such as '2 mbar' (asked for otherwise)",
    )
    calibrate.add_argument(
        "--valid-for", metavar="DAYS", default="365 days", help="how long it holds (default: 365 days, common practice)"
    )
    calibrate.add_argument("--json", action="store_true", help="one JSON object a line: what is asked, points, fit")
    calibrate.add_argument(
        "--port",
        action="append",
        default=[],
        metavar="NAME=URL",
        help="where a port of the rig file is found instead (may be repeated)",
    )
    calibrate.add_argument(
        "--actions",
        metavar="-",
        choices=("-",),
        help="what a person says as JSON lines on standard input: who, reference, point, back, done, write, quit",
    )
    calibrate.add_argument("--record", metavar="FILE", help="keep the session as well (default: the calibration alone)")

    drivers = _add(
        commands,
        "drivers",
        "what kinds of wire this monitor can listen to: its own drivers and those installed beside it",
        "A driver that cannot be used is named with what is wrong with it; the exit code is 1 then.",
    )
    drivers.add_argument("name", nargs="?", metavar="NAME", help="one of them, with every key of its tables")
    drivers.add_argument(
        "--json", action="store_true", help="one JSON object: the drivers, and the schemas of their tables"
    )

    drill = _add(commands, "drill", "a virtual rig that speaks real wire formats on a pty, a TCP port or a broker")
    drill.add_argument("scenario", nargs="?", metavar="SCENARIO", help="name of a drill, or a drill file (TOML)")
    drill.add_argument("--list", action="store_true", help="list the drills and exit")
    drill.add_argument(
        "--judge",
        action="store_true",
        help="play it here at full speed, no wires: exit with 0 only if it sounds exactly what it must, in time",
    )
    drill.add_argument("--rig", metavar="RIG", help="rig file to play (default: the one the drill is made for)")
    drill.add_argument(
        "--port",
        action="append",
        default=[],
        metavar="NAME=URL",
        help="where to speak instead: socket://HOST:PORT, pty, mqtt://HOST:PORT (may be repeated)",
    )
    drill.add_argument("--speed", type=float, default=1.0, help="times real time (default: 1)")
    drill.add_argument("--seed", type=int, default=1, help="seed of the sensors' noise (default: 1)")
    drill.add_argument("--truth", metavar="FILE", help="write what truly happens, as JSON lines (- is standard output)")
    drill.add_argument("--once", action="store_true", help="end with the crew's last move; else the sensors go on")
    drill.add_argument(
        "--json", action="store_true", help="one JSON object: ports, with --judge the outcome, with --list all"
    )

    _add_follow(commands)
    judge = _add(commands, "judge", "run the engine again over recordings and print the verdict")
    judge.add_argument(
        "files", nargs="+", metavar="FILE", help="recording, or a folder of them; one file of a session brings the rest"
    )
    judge.add_argument("--json", action="store_true", help="one JSON object a session")
    judge.add_argument("--limits", metavar="TOML", help="judge under other limits: a file with a [limits] table")
    judge.add_argument(
        "--fail-on",
        choices=PRIORITIES,
        metavar="PRIORITY",
        help="exit with 1 if an alarm of this priority or above was raised: " + ", ".join(PRIORITIES),
    )
    replay = _add(
        commands,
        "replay",
        "walk through a recording: every picture as it was live, on a bar of time with alarms, steps, marks and notes",
        "Nothing in it acts on a rig. Notes are kept beside the recording (FILE.notes.jsonl), never in it.",
    )
    replay.add_argument(
        "file", metavar="FILE", help="recording, or a folder with one; one file of a session brings the rest"
    )
    replay.add_argument("--who", metavar="NAME", help="who writes the notes (default: whoever is logged in)")
    _add_web(commands)
    return top


def _add_web(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    web = _add(
        commands,
        "web",
        "a screen in the browsers of tablets: demo, follow or replay with its arguments, a screen for each visitor",
        "Behind a password, on the loopback unless --listen says otherwise. Needs inchwatch[web].",
    )
    web.add_argument("--listen", metavar="HOST:PORT", help="where to listen (default: 127.0.0.1:8080)")
    web.add_argument(
        "--password-file", metavar="FILE", help="file of one line, mode 600 (default: made anew, and shown)"
    )
    web.add_argument("--password-env", metavar="NAME", help="environment variable with the password")
    web.add_argument("--certificate", metavar="FILE", help="close it by TLS: the certificate of this computer (PEM)")
    web.add_argument("--key", metavar="FILE", help="its private key (PEM)")
    web.add_argument("--most", type=int, default=8, metavar="N", help="so many visitors at once (default: 8)")
    web.add_argument(
        "args", nargs=argparse.REMAINDER, metavar="SCREEN ...", help="demo, follow or replay, as typed alone"
    )


def _add(
    commands: argparse._SubParsersAction[argparse.ArgumentParser], name: str, does: str, more: str = ""
) -> argparse.ArgumentParser:
    return commands.add_parser(
        name, help=does, description=f"{does[0].upper()}{does[1:]}. {more}".strip(), epilog=CAUTION
    )


def _add_sound(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--bell",
        action=argparse.BooleanOptionalAction,
        default=True,
        help="sound the terminal bell until alarms are acknowledged; with --sound, --no-bell leaves it to ring where that fails",
    )
    command.add_argument(
        "--sound",
        metavar="COMMAND",
        help="run this, without a shell, for each alarm until it is acknowledged: {priority}, {rule}, {about} and {text} in it are "
        "replaced, and stand in the environment as INCHWATCH_PRIORITY ...; no three short sounds, they mean: leave",
    )


def _sound(top: argparse.ArgumentParser, call: argparse.Namespace) -> str | None:
    """The command line after --sound, which may be none."""
    line: str | None = call.sound
    if line is not None:
        from monitor.screens.sound import BadCommand, words

        if getattr(call, "headless", False) or (call.command == "follow" and (call.json or call.actions)):
            top.error("--sound goes with the screen")
        try:
            words(line)
        except BadCommand as error:
            top.error(f"--sound: {error}")
    return line


def _add_follow(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    follow = _add(
        commands,
        "follow",
        "the safety officer's screen, anywhere on the network: read-only but for STOP, needs no rig file",
        "With one rig at the broker no name is needed. Without a terminal it prints what `run --headless` prints.",
    )
    follow.add_argument(
        "broker", nargs="?", metavar="BROKER", help="mqtt://HOST:PORT or mqtts://USER@HOST:PORT, as `run` was given"
    )
    follow.add_argument("rig", nargs="?", metavar="RIG", help="name of the rig (default: the only one there)")
    follow.add_argument("--all", action="store_true", help="every rig at the broker, the worst first")
    follow.add_argument(
        "--json",
        action="store_true",
        help="one JSON object a line: pictures and alarms as `run --headless --json`, and what is wrong with the link; "
        "with --all one a rig and second",
    )
    follow.add_argument("--for", dest="for_", metavar="TIME", help="end by itself after this long, such as 30s")
    follow.add_argument("--name", metavar="WHO", help="who calls, if STOP is called here (default: the broker's USER)")
    follow.add_argument(
        "--actions",
        metavar="-",
        choices=("-",),
        help='lines on standard input instead of a screen; {"do": "stop", "reason": "..."} is the only action',
    )
    follow.add_argument("--schema", action="store_true", help="print the JSON Schemas of all five topics and exit")
    _add_sound(follow)
    for option, what in (
        ("--password-file", "file of one line, mode 600, with USER's password"),
        ("--password-env", "environment variable with USER's password"),
        ("--ca", "authorities (PEM) that may have signed the broker's certificate (default: the machine's)"),
        ("--certificate", "our own certificate (PEM), where the broker asks for one"),
        ("--key", "its private key, mode 600"),
    ):
        follow.add_argument(option, metavar="NAME" if option.endswith("env") else "FILE", help=what)


def _add_keeping(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--also",
        metavar="DIR_OR_FILE",
        help="keep the session here as well, such as on a stick: each is whole by itself",
    )
    command.add_argument(
        "--split",
        metavar="TIME_OR_SIZE",
        help="go on in another file this often, such as 1h or 500MB (default: 1 GiB, five hours of 40 channels at 20 Hz)",
    )
    command.add_argument("--no-record", action="store_true", help="keep nothing")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code: 0 done, 1 the thing asked about is wrong, 2 the call is wrong."""
    top = parser()
    call = top.parse_args(argv)
    if call.version:
        from importlib.metadata import version

        print(f"inchwatch {version('inchwatch')}")
        return 0
    if call.completion:
        import shtab

        print(shtab.complete(top, call.completion))
        return 0
    if call.command is None:
        top.print_help()
        return 0
    try:
        return _command(top, call)
    except KeyboardInterrupt:
        return 0
    except BrokenPipeError:  # whoever read standard output has gone away; nothing is left to say to it
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


def _command(top: argparse.ArgumentParser, call: argparse.Namespace) -> int:
    if call.command == "check":
        return _check(top, call)
    if call.command == "judge":
        from monitor.debrief.judge import judge

        return judge(call.files, as_json=call.json, limits=call.limits, fail_on=call.fail_on)
    if call.command == "replay":
        from monitor.debrief.command import replay

        return replay(call.file, who=call.who)
    if call.command == "drivers":
        from monitor.wires import drivers

        return drivers(call.name, as_json=call.json)
    if call.command == "drill":
        return _drill(top, call)
    if call.command == "web":
        from monitor.web.command import Call as WebCall
        from monitor.web.command import web

        names = ("args", "listen", "password_file", "password_env", "certificate", "key", "most")
        return web(WebCall(**{name: getattr(call, name) for name in names}))
    if call.command == "demo":
        from monitor.drill.demo import demo

        return demo(
            call.drill,
            seed=call.seed,
            headless=call.headless,
            as_json=call.json,
            bell=call.bell,
            sound=_sound(top, call),
        )
    if call.command == "follow":
        return _follow(top, call)
    from monitor.live.opening import Call

    if call.command == "calibrate":
        from monitor.calibration.command import Wanted, calibrate

        return calibrate(
            Call(
                call.rig,
                as_json=call.json,
                ports=call.port,
                actions=call.actions is not None,
                record=call.record,
                keep=call.record is not None,
            ),
            Wanted(call.channel, call.who, call.reference, call.valid_for),
        )
    if call.record and call.no_record:
        top.error("--record and --no-record exclude each other")
    if call.no_record and (call.also or call.split):
        top.error("--also and --split say how a session is kept: not with --no-record")
    shared = {
        "rig": call.rig,
        "as_json": call.json,
        "for_": call.for_,
        "ports": call.port,
        "actions": call.actions is not None,
        "record": call.record,
        "keep": not call.no_record,
        "also": call.also,
        "split": call.split,
    }
    if call.command == "sensors" and call.board:
        if call.actions or (call.raw and not call.json):
            top.error("--raw goes with --board --json, --actions with the checks alone")
        from monitor.prelift.live_board import board

        return board(Call(**shared), raw=call.raw)
    if call.command == "sensors":
        if call.raw:
            top.error("--raw goes with --board --json, --actions with the checks alone")
        from monitor.prelift.command import sensors

        return sensors(Call(**shared))
    from monitor.live.command import run

    if (call.json or call.actions) and not call.headless:
        top.error("--json and --actions go with --headless")
    if call.serve is not None and call.broker:
        top.error("--serve is a broker of its own, --broker another: one of them")
    return run(
        Call(
            **shared,
            headless=call.headless,
            bell=call.bell,
            sound=_sound(top, call),
            broker=call.broker,
            serve=call.serve,
        )
    )


def _check(top: argparse.ArgumentParser, call: argparse.Namespace) -> int:
    from monitor.rig.check import check, print_proposal, schema_text

    if call.schema:
        print(schema_text())
        return 0
    if call.rig is None:
        top.error("check needs a RIG file, or --schema")
    if call.propose:
        if call.json or call.html:
            top.error("--propose prints steps alone: not with --json or --html")
        return print_proposal(call.rig, sys.stdout, sys.stderr)
    return check(call.rig, call.json, sys.stdout, sys.stderr, call.html)


def _follow(top: argparse.ArgumentParser, call: argparse.Namespace) -> int:
    from monitor.follow import Wanted, follow, print_schemas

    if call.schema:
        return print_schemas()
    if call.broker is None:
        top.error("follow needs a BROKER, or --schema")
    if call.all and (call.rig or call.actions):
        top.error("--all shows every rig and calls nothing: not with RIG or --actions")
    keys = ("ca", "certificate", "key", "password_env", "password_file")
    secrets = tuple((key, value) for key in keys if (value := getattr(call, key)) is not None)
    return follow(
        Wanted(
            call.broker,
            call.rig,
            all=call.all,
            as_json=call.json,
            for_=call.for_,
            who=call.name,
            actions=call.actions is not None,
            bell=call.bell,
            sound=_sound(top, call),
            secrets=secrets,
        )
    )


def _drill(top: argparse.ArgumentParser, call: argparse.Namespace) -> int:
    from monitor.drill.command import judge_drill, list_drills, run_drill

    if call.list:
        return list_drills(call.json)
    if call.scenario is None:
        top.error("drill needs a SCENARIO, or --list")
    if call.judge:
        if call.port or call.truth or call.once or call.speed != 1.0:
            top.error("--judge opens no port and goes at full speed: not with --port, --truth, --once or --speed")
        return judge_drill(call.scenario, rig=call.rig, seed=call.seed, as_json=call.json)
    return run_drill(
        call.scenario,
        rig=call.rig,
        ports=call.port,
        speed=call.speed,
        seed=call.seed,
        truth=call.truth,
        once=call.once,
        as_json=call.json,
    )
