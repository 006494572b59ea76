"""What is typed where a load is lifted: a rig checked, its sensors tried and calibrated, the lift watched."""

from __future__ import annotations

from monitor.arguments import shared

TYPE_CHECKING = False
if TYPE_CHECKING:
    from monitor.arguments.shared import Commands


def check(commands: Commands) -> None:
    """`inchwatch check`."""
    it = shared.added(commands, "check", "validate a rig file and print its lift plan sheet")
    it.add_argument("rig", nargs="?", metavar="RIG", help="rig file (TOML)")
    shared.as_json(it, "one JSON object: faults, notes, plan")
    it.add_argument(
        "--propose", action="store_true", help="print steps for a file that has none, to put at its end, instead"
    )
    it.add_argument("--html", metavar="FILE", help="write the sheet as a page to print as well, with drawings to scale")
    it.add_argument("--schema", action="store_true", help="print the JSON Schema of rig files instead")


def run(commands: Commands) -> None:
    """`inchwatch run`."""
    it = shared.added(
        commands,
        "run",
        "the operator's screen on a real rig, recording by default",
        "With --headless and without --actions it takes the zero and ends steps by itself.",
    )
    shared.rig(it)
    it.add_argument("--headless", action="store_true", help="no screen: alarms as they happen, a picture a second")
    shared.as_json(it, "with --headless: one JSON object a line")
    shared.ends(it)
    shared.ports(it)
    shared.actions(it, "with --headless: a person's actions as JSON lines on standard input")
    it.add_argument(
        "--broker",
        metavar="URL",
        help="let others follow over this broker: mqtt://HOST:PORT or mqtts://USER@HOST:PORT (default: the rig file's [link])",
    )
    it.add_argument(
        "--serve",
        nargs="?",
        const="",
        metavar="ADDRESS",
        help="let others follow over a broker of its own: on this computer alone, or at HOST, HOST:PORT or :PORT, where everyone "
        "gives a password that is shown at the start (needs mosquitto installed); after RIG",
    )
    shared.files(
        it,
        {
            "--certificate": "with --serve ADDRESS: close it by TLS; the certificate of this computer (PEM)",
            "--key": "its private key (PEM)",
        },
    )
    shared.keeping(it)
    shared.sound(it)


def sensors(commands: Commands) -> None:
    """`inchwatch sensors`."""
    it = shared.added(
        commands,
        "sensors",
        "pre-lift checks: every channel live, the zero, which one answers a breath or a move, does the air stay in",
        "Leads through them on a terminal: Enter is done or next, s leaves out, r does it again, a number ticks an item of the "
        "checklist, q ends. Exit code 0 only if all that was asked for has passed. With --board it shows every channel live "
        "instead: value, rate, age, noise, health, last fault, and the wire itself; without a terminal, a table a second.",
    )
    shared.rig(it)
    it.add_argument(
        "--board", action="store_true", help="the live board of every channel and port in place of the checks"
    )
    shared.as_json(it, "one JSON object a line: what is asked, results, summary; with --board, the board once a second")
    it.add_argument(
        "--raw", action="store_true", help="with --board --json: each port's newest 20 lines as they came over the wire"
    )
    shared.ends(
        it, "; without --board nobody is asked then: live, zero, and the pressure hold of bags that are pressed"
    )
    shared.ports(it)
    shared.actions(it, "a person's actions as JSON lines on standard input; next, skip, back and quit lead")
    shared.keeping(it)


def calibrate(commands: Commands) -> None:
    """`inchwatch calibrate`."""
    it = shared.added(
        commands,
        "calibrate",
        "calibrate a channel against a reference, led line by line; kept in RIG.calibration.toml beside the rig file",
        "Waits until the reading rests, asks for the true value with its unit, goes on to the next or fits a line, and keeps it "
        "only when told to. Exit code 0 only if it was kept.",
    )
    shared.rig(it)
    it.add_argument("channel", metavar="CHANNEL", help="the channel, as the rig file names it")
    it.add_argument("--who", metavar="NAME", help="who calibrates (asked for otherwise)")
    it.add_argument(
        "--reference",
        metavar="SD",
        help="one standard deviation of the reference, such as '2 mbar' (asked for otherwise)",
    )
    it.add_argument(
        "--valid-for", metavar="DAYS", default="365 days", help="how long it holds (default: 365 days, common practice)"
    )
    shared.as_json(it, "one JSON object a line: what is asked, points, fit")
    shared.ports(it)
    shared.actions(
        it, "what a person says as JSON lines on standard input: who, reference, point, back, done, write, quit"
    )
    it.add_argument("--record", metavar="FILE", help="keep the session as well (default: the calibration alone)")


def drivers(commands: Commands) -> None:
    """`inchwatch drivers`."""
    it = shared.added(
        commands,
        "drivers",
        "what kinds of wire this monitor can listen to: its own drivers and those installed beside it",
        "A driver that cannot be used is named with what is wrong with it; the exit code is 1 then.",
    )
    it.add_argument("name", nargs="?", metavar="NAME", help="one of them, with every key of its tables")
    shared.as_json(it, "one JSON object: the drivers, and the schemas of their tables")
