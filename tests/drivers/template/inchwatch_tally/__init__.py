"""The tally wire: what a rig file may say of it. Nothing here runs, and nothing heavy is imported: rig files are read by this."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field

from drivers.driver import Driver, Fault
from drivers.tables import WHOLE, PortTable, SourceTable

if TYPE_CHECKING:
    from drivers.config import Channel
    from drivers.ports import RunningPort
    from drivers.reading import Clock, Sink


class TallyPort(PortTable):
    """A box on the network that prints `ID VALUE` lines, values in SI."""

    driver: Literal["tally"]
    host: Annotated[str, Field(min_length=1)]
    port: Annotated[int, Field(ge=1, le=65535), WHOLE] = 4001


class TallySource(SourceTable):
    """Which line is meant: the one that begins with `id`."""

    id: Annotated[str, Field(pattern=r"^[A-Z][A-Z0-9]*$")]

    def place(self) -> tuple[object, ...]:
        """One id is one channel's."""
        return (self.id,)


def _open(
    port: TallyPort, channels: Sequence[Channel], sink: Sink, clock: Clock, _wall_s: Callable[[], float]
) -> RunningPort:
    from inchwatch_tally.reader import TallyReader  # only when a port is opened

    return TallyReader(port, channels, sink, clock)


def _elsewhere(port: TallyPort, url: str) -> TallyPort:
    """`--port NAME=HOST:PORT`."""
    from drivers.ports import PortError

    host, _, number = url.rpartition(":")
    if not host or not number.isascii() or not number.isdigit() or not 1 <= int(number) <= 65535:
        raise PortError(f"port '{port.name}': found '{url}', allowed is HOST:PORT")
    return port.model_copy(update={"host": host, "port": int(number)})


def _faults(_port: TallyPort, channels: Sequence[Channel]) -> Iterator[tuple[str, Fault]]:
    """What the tables alone cannot say: here, that the box has no clue of electricity."""
    for channel in channels:
        if channel.quantity in ("current", "voltage"):
            yield channel.name, (("id",), f"a channel of {channel.quantity}", "a quantity that the box measures")


DRIVER = Driver(
    "tally", "lines of `ID VALUE` from a box on the network", TallyPort, TallySource, _open, _elsewhere, _faults
)
