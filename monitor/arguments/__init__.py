"""What may be typed: the whole command line, and nothing of what it does.

Commands stand by where they are used: `at_the_rig`, `elsewhere`, `afterwards`; what they share, in `shared`.
"""

from __future__ import annotations

import argparse

from monitor.arguments import afterwards, at_the_rig, elsewhere
from monitor.arguments.shared import CAUTION, Command

__all__ = ["CAUTION", "parser"]

_COMMANDS = (
    elsewhere.demo,
    at_the_rig.check,
    at_the_rig.run,
    at_the_rig.sensors,
    at_the_rig.calibrate,
    at_the_rig.drivers,
    elsewhere.drill,
    elsewhere.follow,
    afterwards.judge,
    afterwards.score,
    afterwards.compare,
    afterwards.replay,
    afterwards.journal,
    afterwards.export,
    afterwards.season,
    afterwards.debrief,
    elsewhere.web,
)
"""In the order in which help names them: that of a first look, a lift, and what comes after it."""


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
    for add in _COMMANDS:
        add(commands)
    return top
