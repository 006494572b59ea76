"""The table of an alarm's life: every state with every event, and that the alarms of the book live by it."""

from __future__ import annotations

import itertools

import pytest

from monitor.engine.life import LATCHED, TABLE, Event, after
from monitor.engine.picture import AlarmState

A, B, C, D, E, F, G = AlarmState

# ANSI/ISA-18.2-2016 clause 5 / IEC 62682, the figure of the states (from memory). One row an event, one letter for the state that
# each of A B C D E F G goes to. That a shelf outlasts a suppression and out of service outlasts both is our own reading.
FIGURE = {
    #                   ABCDEFG
    Event.RISES: "      BBCBEFG",
    Event.CLEARS: "     ADADEFG",
    Event.ACKNOWLEDGE: "ACCAEFG",
    Event.AGAIN: "      ABBDEFG",
    Event.RESET: "      ABCDEFG",
    Event.SHELVE: "     EEEEEEG",
    Event.UNSHELVE: "   ABCDAFG",
    Event.SUPPRESS: "   FFFFEFG",
    Event.APPLY: "      ABCDEAG",
    Event.TAKE_OUT: "   GGGGGGG",
    Event.PUT_BACK: "   ABCDEFA",
}
# OPC 10000-9 5.8.5: a latched alarm is reset when it has returned to normal and been acknowledged, not before.
FIGURE_LATCHED = FIGURE | {
    Event.RISES: "      BBBBEFG",
    Event.CLEARS: "     ADCDEFG",
    Event.ACKNOWLEDGE: "ACCCEFG",
    Event.RESET: "      ABADEFG",
}
STATE = dict(zip("ABCDEFG", AlarmState, strict=True))


@pytest.mark.parametrize("latched", [False, True], ids=["plain", "latched"])
@pytest.mark.parametrize(("state", "event"), itertools.product(AlarmState, Event))
def test_every_state_with_every_event(state, event, latched):
    row = (FIGURE_LATCHED if latched else FIGURE)[event].strip()
    assert after(state, event, latched=latched) is STATE[row[list(AlarmState).index(state)]]


def test_the_table_names_no_pair_that_changes_nothing():
    assert [pair for pair, to in TABLE.items() if pair[0] is to] == []
    assert [pair for pair, to in LATCHED.items() if pair[0] is to] == [(C, Event.CLEARS)]
