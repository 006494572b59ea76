"""The body of `inchwatch replay`: a recording opened, gone through in the background, and shown."""

from __future__ import annotations

import getpass
import sys
from collections.abc import Callable
from pathlib import Path

from monitor.debrief.deck import Deck, Reporting
from monitor.debrief.notes import Notes
from monitor.debrief.player import Player
from monitor.live.opening import on_a_terminal
from monitor.rig.load import RigFaults
from replay.journal import JournalError


def replay(file: str, *, who: str | None, report: Callable[[Path], Reporting] | None = None) -> int:
    """Show a recording, or a folder that holds one; returns the exit code: 1 if it cannot be played, 2 without a terminal.

    `report` makes the report of it, where that can be asked for.
    """
    if not on_a_terminal():
        print(
            "inchwatch replay: needs a terminal to show it on; inchwatch judge FILE prints the verdict", file=sys.stderr
        )
        return 2
    try:
        player = Player(Path(file))
    except (JournalError, RigFaults) as error:
        print(f"inchwatch replay: {error}", file=sys.stderr)
        return 1
    from monitor.screens.instructor import run_instructor

    deck = Deck(player, Notes(player.recording.path), who or _user(), report=report)
    deck.start()
    try:
        run_instructor(deck)
    finally:
        deck.stop()
    for fault in deck.faults:
        print(f"inchwatch replay: {player.recording.path}: {fault}", file=sys.stderr)
    return 0


def _user() -> str:
    """Whoever is logged in, where the system tells it."""
    try:
        return getpass.getuser()
    except (OSError, KeyError):  # no such user, no environment that names one
        return "instructor"
