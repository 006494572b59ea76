"""The life of an alarm as a table: from which state, by which event, to which state.

After ANSI/ISA-18.2-2016 clause 5 and IEC 62682: A normal, B unacknowledged, C acknowledged, D returned to normal
unacknowledged, E shelved, F suppressed by design, G out of service. A pair that the table does not name changes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum

from monitor.engine.picture import AlarmState


class Event(StrEnum):
    """What can happen to an alarm."""

    RISES = "rises"
    CLEARS = "clears"
    ACKNOWLEDGE = "acknowledge"
    AGAIN = "re-alarm"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    SUPPRESS = "suppress"
    APPLY = "apply again"
    TAKE_OUT = "take out of service"
    PUT_BACK = "put back in service"


Table = Mapping[tuple[AlarmState, Event], AlarmState]

A, B, C, D = AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED
E, F, G = AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE

TABLE: Table = {
    (A, Event.RISES): B,
    (B, Event.ACKNOWLEDGE): C,
    (B, Event.CLEARS): D,
    (C, Event.CLEARS): A,
    (C, Event.AGAIN): B,
    (D, Event.ACKNOWLEDGE): A,
    (D, Event.RISES): B,
    **{(state, Event.SHELVE): E for state in (A, B, C, D, F)},
    **{(state, Event.SUPPRESS): F for state in (A, B, C, D)},
    **{(state, Event.TAKE_OUT): G for state in (A, B, C, D, E, F)},
    (E, Event.UNSHELVE): A,
    (F, Event.APPLY): A,
    (G, Event.PUT_BACK): A,
}
"""What is set aside comes back as normal, and rises at once where its condition stands: E, F or G by A to B. A shelf outlasts a
suppression, and out of service outlasts both: what a person has set aside, no condition brings back."""

LATCHED: Table = {
    **TABLE,
    (C, Event.CLEARS): C,
    (C, Event.RISES): B,
    (C, Event.RESET): A,
    (D, Event.ACKNOWLEDGE): C,
}
"""The same for a latched alarm. It has to clear, to be acknowledged and to be reset, and the reset comes last (OPC 10000-9
5.8.5: returned to normal and acknowledged first): until then it stays acknowledged. Acknowledging is no reset: one key pressed
in haste would take away what a person is to look at. Whether its condition is gone is not in the state: who sends the reset
has looked."""


def after(state: AlarmState, event: Event, *, latched: bool) -> AlarmState:
    """The state that an event leads to."""
    return (LATCHED if latched else TABLE).get((state, event), state)
