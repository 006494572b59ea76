"""What may be typed: the whole command line, and nothing of what it does."""

from __future__ import annotations

import argparse

TYPE_CHECKING = False  # as typing has it, without the time that importing it takes
if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from typing import Any, NoReturn

    Commands = argparse._SubParsersAction["Command"]

CAUTION = (
    "inchwatch watches and never drives a valve. It supports and never replaces a trained safety officer, the makers' "
    "instructions, local rules and licensed practice. Nobody goes under a load held by bags alone."
)
PRIORITIES = ("notice", "caution", "warning", "danger")


class Command(argparse.ArgumentParser):
    """A command whose options may stand anywhere: before, between and behind what else is typed.

    By itself argparse gives a positional that may be left out its default as soon as an option follows the one before it, and
    then does not know what comes behind. `anywhere`: not where everything from the first positional on is another command's.
    """

    anywhere = True
    _apart = False
    _typed: Sequence[str] = ()

    def parse_known_args(  # type: ignore[override]
        self, args: Sequence[str] | None = None, namespace: Any = None
    ) -> tuple[argparse.Namespace, list[str]]:
        """As argparse has it, options first and then the rest."""
        if self._apart or not self.anywhere:
            return super().parse_known_args(args, namespace)
        self._apart, self._typed = True, args or ()  # what this calls may call us again
        try:
            return self.parse_known_intermixed_args(args, namespace)
        finally:
            self._apart = False

    def error(self, message: str) -> NoReturn:
        """As argparse says it, and what an option may have taken that was meant for the command."""
        for it in self._actions:
            if it.nargs == "?" and "required" in message and set(it.option_strings) & set(self._typed):
                message += f" (what follows {it.option_strings[0]} is its {it.metavar})"
        super().error(message)


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
    commands = top.add_subparsers(dest="command", metavar="COMMAND", title="commands", parser_class=Command)
    for add in (
        _add_demo,
        _add_check,
        _add_run,
        _add_sensors,
        _add_calibrate,
        _add_drivers,
        _add_drill,
        _add_follow,
        _add_judge,
        _add_score,
        _add_compare,
        _add_replay,
        _add_journal,
        _add_export,
        _add_season,
        _add_debrief,
        _add_web,
    ):
        add(commands)
    return top


def _add_demo(commands: Commands) -> None:
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


def _add_check(commands: Commands) -> None:
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


def _add_run(commands: Commands) -> None:
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
    _add_ports(run)
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
    _add_files(
        run,
        {
            "--certificate": "with --serve ADDRESS: close it by TLS; the certificate of this computer (PEM)",
            "--key": "its private key (PEM)",
        },
    )
    run.add_argument("--record", metavar="FILE", help="where to keep the session (default: RIG-DATE-TIME.jsonl here)")
    _add_keeping(run)
    _add_sound(run)


def _add_sensors(commands: Commands) -> None:
    sensors = _add(
        commands,
        "sensors",
        "pre-lift checks: every channel live, the zero, which one answers a breath or a move, does the air stay in",
        "Leads through them on a terminal: Enter is done or next, s leaves out, r does it again, a number ticks an item of the "
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
    _add_ports(sensors)
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


def _add_calibrate(commands: Commands) -> None:
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
    _add_ports(calibrate)
    calibrate.add_argument(
        "--actions",
        metavar="-",
        choices=("-",),
        help="what a person says as JSON lines on standard input: who, reference, point, back, done, write, quit",
    )
    calibrate.add_argument("--record", metavar="FILE", help="keep the session as well (default: the calibration alone)")


def _add_drivers(commands: Commands) -> None:
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


def _add_drill(commands: Commands) -> None:
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


def _add_follow(commands: Commands) -> None:
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
    _add_files(
        follow,
        {
            "--password-file": "file of one line, mode 600, with USER's password",
            "--password-env": "environment variable with USER's password",
            "--ca": "authorities (PEM) that may have signed the broker's certificate (default: the machine's)",
            "--certificate": "our own certificate (PEM), where the broker asks for one",
            "--key": "its private key, mode 600",
        },
    )


def _add_judge(commands: Commands) -> None:
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
    judge.add_argument(
        "--workers", metavar="N", help="so many recordings at once, each in a process of its own; all: one a processor"
    )
    judge.add_argument(
        "--dask",
        metavar="ADDRESS",
        help="on the cluster of this Dask scheduler, such as tcp://HOST:8786; its workers must find the recordings at the same "
        "paths, and have the same inchwatch (needs inchwatch[dask])",
    )
    judge.add_argument(
        "-o",
        "--output",
        metavar="FILE",
        help="write a season instead: a Parquet file with a row a session and a column a figure; what it has already is not "
        "judged again, and a run that was cut off goes on (needs inchwatch[tables])",
    )


def _add_season(commands: Commands) -> None:
    season = _add(
        commands,
        "season",
        "how the figures of many recordings went over time, from what judge -o wrote",
        "By rig, or by folder where each crew keeps its recordings in one of its own: a recording does not know who the crew was. "
        "A trend is said only where chance is an unlikely reason for it, and it is never a cause.",
    )
    season.add_argument("file", metavar="FILE", help="the Parquet file")
    season.add_argument("--by", choices=("rig", "folder", "all"), default="rig", help="what is one line (default: rig)")
    season.add_argument(
        "--figure",
        action="append",
        default=[],
        metavar="NAME",
        help="a figure by its name, such as gap.greatest_m (may be repeated; default: those that most crews ask for)",
    )
    season.add_argument("--json", action="store_true", help="one JSON object")
    season.add_argument("--html", metavar="FILE", help="write a page to print as well, with charts")


def _add_score(commands: Commands) -> None:
    score = _add(
        commands,
        "score",
        "hold recordings against an evaluation form: points over what was measured, and what an instructor marks",
        "What is not known earns nothing. Exit code 0 only if all were passed.",
    )
    score.add_argument("files", nargs="*", metavar="FILE", help="recording, or a folder with one")
    score.add_argument("--form", metavar="TOML", help="the evaluation form")
    score.add_argument("--marks", metavar="TOML", help="points for its free criteria, and who gave them")
    score.add_argument("--json", action="store_true", help="one JSON object a recording; values in SI")
    score.add_argument("--example", action="store_true", help="print a form to begin with, and exit")
    score.add_argument("--figures", action="store_true", help="print every figure that a form may ask for, and exit")


def _add_compare(commands: Commands) -> None:
    compare = _add(
        commands,
        "compare",
        "lay recorded lifts side by side: what differs, which is better, step by step",
        "Two drills, or one crew's over a season, up to twelve; in the order given.",
    )
    compare.add_argument(
        "files", nargs="+", metavar="FILE", help="recording, or a folder of them; one file of a session brings the rest"
    )
    compare.add_argument("-o", dest="page", metavar="HTML", help="write it as a page with charts, to print or hand out")
    compare.add_argument("--json", action="store_true", help="one JSON object; values in SI")


def _add_replay(commands: Commands) -> None:
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


def _add_debrief(commands: Commands) -> None:
    debrief = _add(
        commands,
        "debrief",
        "write the report of a recording: the lift in plain words, plan against done, charts, alarms, sensors, notes",
        "One file that needs no other and no network. An older report of that name is replaced.",
    )
    debrief.add_argument(
        "file", metavar="FILE", help="recording, or a folder with one; one file of a session brings the rest"
    )
    debrief.add_argument(
        "-o",
        "--out",
        metavar="FILE",
        help="REPORT.html, or REPORT.pdf (default: FILE.report.html beside the recording)",
    )
    debrief.add_argument("--form", metavar="TOML", help="with a score sheet by this evaluation form, as in score")
    debrief.add_argument("--marks", metavar="TOML", help="points for its free criteria, and who gave them")
    debrief.add_argument(
        "--browser",
        metavar="COMMAND",
        help="what prints a PDF (default: Chromium, Chrome or Edge, as installed; A4, with US units letter)",
    )


def _add_journal(commands: Commands) -> None:
    journal = _add(
        commands,
        "journal",
        "check every seal of a recording and say what is in it; print its entries, or repair it into a new file",
        "Exit code 0 only if every seal holds and it was closed in order, or if it was repaired.",
    )
    journal.add_argument(
        "file", metavar="FILE", help="recording, or a folder with one; one file of a session brings the rest"
    )
    journal.add_argument("--json", action="store_true", help="one JSON object; with --print each entry as it was kept")
    journal.add_argument("--print", dest="show", action="store_true", help="print the entries, a line each")
    journal.add_argument(
        "--kind",
        action="append",
        default=[],
        choices=("reading", "tick", "action", "notice", "alarm"),
        help="with --print: these alone (may be repeated)",
    )
    journal.add_argument(
        "--channel", action="append", default=[], metavar="NAME", help="with --print: of these alone (may be repeated)"
    )
    journal.add_argument(
        "--from", dest="begin", metavar="TIME", help="with --print: from then on, such as 90s or 2 min"
    )
    journal.add_argument("--to", dest="end", metavar="TIME", help="with --print: up to then")
    journal.add_argument(
        "--repair",
        metavar="NEW",
        help="write what is played of a damaged recording into this new file, with a line that says what is missing; the old "
        "one is not touched, and nothing is written over",
    )


def _add_export(commands: Commands) -> None:
    export = _add(
        commands,
        "export",
        "write a recording as tables: readings, pictures, actions, notices, alarms, with units",
        "CSV and Parquet are a file a table (NAME.readings.csv, ...), CSV with a description beside it; MCAP is one file. Parquet "
        "and MCAP need inchwatch[tables].",
    )
    export.add_argument(
        "file", metavar="FILE", help="recording, or a folder with one; one file of a session brings the rest"
    )
    export.add_argument(
        "-o", "--output", required=True, metavar="NAME", help="new file that ends in .csv, .parquet or .mcap"
    )
    export.add_argument(
        "--table",
        action="append",
        default=[],
        choices=("readings", "pictures", "actions", "notices", "alarms"),
        help="this one alone, into the very file that is named (may be repeated)",
    )


def _add_web(commands: Commands) -> None:
    web = _add(
        commands,
        "web",
        "a screen in the browsers of tablets: demo, follow or replay with its arguments, a screen for each visitor",
        "Behind a password, on the loopback unless --listen says otherwise. Needs inchwatch[web].",
    )
    web.add_argument("--listen", metavar="HOST:PORT", help="where to listen (default: 127.0.0.1:8080)")
    _add_files(
        web,
        {
            "--password-file": "file of one line, mode 600 (default: made anew, and shown)",
            "--password-env": "environment variable with the password",
            "--certificate": "close it by TLS: the certificate of this computer (PEM)",
            "--key": "its private key (PEM)",
        },
    )
    web.add_argument("--most", type=int, default=8, metavar="N", help="so many visitors at once (default: 8)")
    web.anywhere = False
    web.add_argument(
        "args", nargs=argparse.REMAINDER, metavar="SCREEN ...", help="demo, follow or replay, as typed alone"
    )


def _add(commands: Commands, name: str, does: str, more: str = "") -> Command:
    return commands.add_parser(
        name, help=does, description=f"{does[0].upper()}{does[1:]}. {more}".strip(), epilog=CAUTION
    )


def _add_ports(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--port",
        action="append",
        default=[],
        metavar="NAME=URL",
        help="where a port of the rig file is found instead (may be repeated)",
    )


def _add_files(command: Command, options: Mapping[str, str]) -> None:
    """Secrets: what each is for by its option; `..-env` names a variable, the others a file."""
    for option, what in options.items():
        command.add_argument(option, metavar="NAME" if option.endswith("env") else "FILE", help=what)


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
