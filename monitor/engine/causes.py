"""Which alarm came first and which is the root of others: alarms of one cause are a group.

Both are for the eye and change no alarm. Places count here: a bag is part of its stack, a stack and a shore of the load, a
channel of its port.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from monitor.engine.picture import AlarmState
from monitor.rig.schema import Rig

if TYPE_CHECKING:
    from monitor.engine.alarms import Alarm

Wider = Mapping[str, frozenset[str]]
"""Every place to the places that hold it."""


def wider_places(rig: Rig) -> Wider:
    """What holds what on a rig."""
    load = frozenset(("load",))
    stacks = {stack.name: load for stack in rig.stack}
    bags = {bag.name: load | {stack.name} for stack in rig.stack for bag in stack.bag}
    shores = {shore.name: load for shore in rig.shore}
    channels = {channel.name: frozenset((channel.source.port,)) for channel in rig.channel}
    cribs = {crib.name: load for crib in rig.crib}
    return channels | cribs | shores | bags | stacks


class FirstOut:
    """Of every group, the alarm that rose first (FirstInGroup, OPC 10000-9 5.8.2): marked once, until all are normal."""

    def __init__(self) -> None:
        self._first: dict[str, Alarm] = {}

    def rose(self, alarm: Alarm, was: AlarmState, others: Iterable[Alarm]) -> None:
        """An alarm that `was` in a state has risen; `others` are all alarms of the session."""
        if alarm.state is AlarmState.OUT_OF_SERVICE:
            return
        waited = was in (AlarmState.RETURNED, AlarmState.ACKNOWLEDGED)
        group = (it for it in others if it is not alarm and it.rule.cause == alarm.rule.cause)
        if not waited and all(map(_at_rest, group)):
            self._first[alarm.rule.cause] = alarm

    def marks(self, alarm: Alarm) -> bool:
        """Whether an alarm was the first of its group."""
        return self._first.get(alarm.rule.cause) is alarm


def _at_rest(alarm: Alarm) -> bool:
    if alarm.state is AlarmState.SHELVED:
        return not alarm.active
    return alarm.state in (AlarmState.NORMAL, AlarmState.OUT_OF_SERVICE)


def roots(alarms: Iterable[Alarm], wider: Wider) -> dict[int, Alarm]:
    """The root that each alarm (by its id) stands under, for those that stand under any.

    The root of a group is its highest-ranked alarm that stands before all eyes, at the same place or one that holds it or
    lies in it, or one of another group whose row says that it is the root of this. None stands under a lesser one, and no
    root stands under another.
    """
    under: dict[int, Alarm] = {}
    found: list[Alarm] = []
    for alarm in sorted(alarms, key=lambda it: (it.rank, it.about)):
        root = next((it for it in found if _is_root(it, alarm, wider)), None)
        if root is not None:
            under[id(alarm)] = root
        elif alarm.active and alarm.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED):
            found.append(alarm)
    return under


def _is_root(root: Alarm, alarm: Alarm, wider: Wider) -> bool:
    a, b = root.about, alarm.about
    near = a == b or a in wider.get(b, ()) or b in wider.get(a, ())
    return (
        near and alarm.rule.cause in (root.rule.cause, root.rule.root_of) and root.rule.priority >= alarm.rule.priority
    )
