"""The terminal under a screen: one that takes nothing for a while, and one that is taken away.

Textual writes from a thread of its own and keeps thirty pieces for it; the next one stops the loop, and with it keys, sound and
STOP. A link that hangs does that. So a screen asks first, and draws again once the terminal takes it, what is of then.
"""

from __future__ import annotations

import os
import select
import signal
import sys
from asyncio import AbstractEventLoop
from collections.abc import Callable
from contextlib import suppress

_PATIENCE, _ASK_EVERY = 5.0, 0.05
"""So long (s, invented) a terminal that takes nothing is given to take something again before the program ends without it."""


def takes_more() -> bool:
    """Whether the terminal (standard error, where Textual draws) takes anything now. True where that cannot be told."""
    if sys.__stderr__ is None:
        return True
    try:
        return bool(select.select([], [sys.__stderr__], [], 0.0)[1])
    except (OSError, ValueError):
        return True


def on_ending(loop: AbstractEventLoop, end: Callable[[], object], draw_again: Callable[[], object]) -> None:
    """Call `end` in place of dying when the program is asked to end (SIGTERM) or its terminal is gone (SIGHUP).

    A program that goes on without having left its terminal (SIGCONT, which also comes with SIGHUP) calls `draw_again` instead of
    Textual, which would begin anew: its first thread for keys is then never told to end, and keeps the program alive. Where no
    handler can be had (another thread, another system) nothing changes.
    """
    shown_on = [it for it in range(3) if os.isatty(it)]  # a terminal that is gone is none
    leave, come_back, left = signal.getsignal(signal.SIGTSTP), signal.getsignal(signal.SIGCONT), False

    def asked(waits: int = round(_PATIENCE / _ASK_EVERY)) -> None:
        if takes_more():
            end()
        elif waits:
            loop.call_later(_ASK_EVERY, asked, waits - 1)
        else:  # Textual would wait for the terminal
            signal.signal(signal.SIGTERM, signal.SIG_DFL)
            os.kill(os.getpid(), signal.SIGTERM)

    def gone() -> None:
        nowhere = os.open(os.devnull, os.O_RDWR)
        for it in shown_on:
            os.dup2(nowhere, it)
        end()

    def stops() -> None:
        nonlocal left
        left = True
        if callable(leave):
            leave(signal.SIGTSTP, None)

    def goes_on() -> None:
        nonlocal left
        if left and callable(come_back):
            come_back(signal.SIGCONT, None)
        else:
            draw_again()
        left = False

    for number, do in (
        (signal.SIGTERM, asked),
        (signal.SIGHUP, gone),
        (signal.SIGTSTP, stops),
        (signal.SIGCONT, goes_on),
    ):
        with suppress(NotImplementedError, RuntimeError, ValueError):
            loop.add_signal_handler(number, do)
