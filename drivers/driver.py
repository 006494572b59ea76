"""What a driver is: the tables it brings to a rig file, what else must hold between them, and how its port is opened."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from drivers.tables import PortTable, SourceTable

if TYPE_CHECKING:
    from drivers.config import Channel
    from drivers.ports import RunningPort
    from drivers.reading import Clock, Sink

Fault = tuple[tuple[str | int, ...], str, str]
"""Something wrong in a channel's `source`: (the key's path in it, what was found, what is allowed)."""
Open = Callable[[Any, Sequence["Channel"], "Sink", "Clock", Callable[[], float]], "RunningPort"]
"""(the port's table, its channels, sink, clock, seconds since 1970) to a port that is not started yet."""


def nothing_more(_port: Any, _channels: Sequence[Channel]) -> Iterator[tuple[str, Fault]]:
    """For drivers whose tables say all that must hold."""
    return iter(())


@dataclass(frozen=True, slots=True)
class Driver:
    """One kind of wire.

    `open` imports what it needs only when it is called: a rig file is read without any wire's library. `faults` gives what
    the channels of one port have wrong with each other or with their port, each with its channel's name. `elsewhere` makes
    the same port's table for another place, as a person types it; it raises drivers.ports.PortError.
    """

    name: str
    about: str
    port: type[PortTable]
    source: type[SourceTable]
    open: Open
    elsewhere: Callable[[Any, str], PortTable]
    faults: Callable[[Any, Sequence[Channel]], Iterator[tuple[str, Fault]]] = nothing_more
