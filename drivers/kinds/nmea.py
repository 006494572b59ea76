"""NMEA 0183 XDR over a serial line, or over anything a pyserial URL can name."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field

from drivers.driver import Driver
from drivers.serial_place import SerialPort, elsewhere
from drivers.tables import WHOLE, SourceTable

if TYPE_CHECKING:
    from drivers.config import Channel
    from drivers.ports import RunningPort
    from drivers.reading import Clock, Sink


class NmeaPort(SerialPort):
    """A serial line (or anything a pyserial URL can name) that talks NMEA 0183 XDR sentences."""

    driver: Literal["nmea"]
    baud: Annotated[int, Field(ge=300, le=4_000_000), WHOLE] = 4800
    checksum: Literal["required", "optional"] = "required"


class NmeaSource(SourceTable):
    """Where in the XDR sentences of a port the value stands: the quadruple's name (its fourth field)."""

    id: Annotated[str, Field(min_length=1)]


def _open(
    port: NmeaPort, channels: Sequence[Channel], sink: Sink, clock: Clock, _wall_s: Callable[[], float]
) -> RunningPort:
    from drivers.serial_line import SerialReader

    return SerialReader(port, channels, sink, clock)


DRIVER = Driver("nmea", "NMEA 0183 XDR sentences on a serial line", NmeaPort, NmeaSource, _open, elsewhere)
