"""What commands share: how a command line is read, and every option that more than one of them has, worded once."""

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


def added(commands: Commands, name: str, does: str, more: str = "") -> Command:
    """A new command: what it does in a line, and what else its own help says."""
    return commands.add_parser(
        name, help=does, description=f"{does[0].upper()}{does[1:]}. {more}".strip(), epilog=CAUTION
    )


def rig(command: Command) -> None:
    """RIG: the rig file."""
    command.add_argument("rig", metavar="RIG", help="rig file (TOML)")


def recording(command: Command) -> None:
    """FILE: one recording."""
    command.add_argument(
        "file", metavar="FILE", help="recording, or a folder with one; one file of a session brings the rest"
    )


def recordings(command: Command) -> None:
    """FILE...: recordings."""
    command.add_argument(
        "files",
        nargs="+",
        metavar="FILE",
        help="recording, or a folder of them (none below it is read: give those as well); one file of a session brings the rest",
    )


def as_json(command: Command, what: str) -> None:
    """--json, and what it prints."""
    command.add_argument("--json", action="store_true", help=what)


def ends(command: Command, more: str = ", such as 30s") -> None:
    """--for: after how long it ends by itself."""
    command.add_argument("--for", dest="for_", metavar="TIME", help=f"end by itself after this long{more}")


def actions(command: Command, what: str) -> None:
    """--actions -: what may be said on standard input."""
    command.add_argument("--actions", metavar="-", choices=("-",), help=what)


def several(
    command: Command, option: str, metavar: str | None, what: str, choices: Sequence[str] | None = None
) -> None:
    """An option that may be repeated."""
    command.add_argument(option, action="append", default=[], metavar=metavar, choices=choices, help=what)


def ports(command: Command) -> None:
    """--port: other places for the rig file's ports."""
    several(command, "--port", "NAME=URL", "where a port of the rig file is found instead (may be repeated)")


def files(command: Command, options: Mapping[str, str]) -> None:
    """Secrets: what each is for by its option; `..-env` names a variable, the others a file."""
    for option, what in options.items():
        command.add_argument(option, metavar="NAME" if option.endswith("env") else "FILE", help=what)


def keeping(command: Command) -> None:
    """Where a session is kept: --record, --also, --split, --no-record."""
    command.add_argument(
        "--record", metavar="FILE", help="where to keep the session (default: RIG-DATE-TIME.jsonl here)"
    )
    command.add_argument(
        "--also",
        metavar="DIR_OR_FILE",
        help="keep the session here as well, such as on a stick: each is whole by itself",
    )
    command.add_argument(
        "--split",
        metavar="TIME_OR_SIZE",
        help="go on in another file this often, such as 1h, 500MB or '2 GiB' (default: 1 GiB, five hours of 40 channels at 20 Hz)",
    )
    command.add_argument("--no-record", action="store_true", help="keep nothing")


def sound(command: Command) -> None:
    """What sounds an alarm: --bell, --sound."""
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


def seed(command: Command) -> None:
    """--seed: of a drill."""
    command.add_argument("--seed", type=int, default=1, help="seed of the sensors' noise (default: 1)")


def form(command: Command, what: str) -> None:
    """An evaluation form and the marks that go with it: --form, --marks."""
    command.add_argument("--form", metavar="TOML", help=what)
    command.add_argument("--marks", metavar="TOML", help="points for its free criteria, and who gave them")
