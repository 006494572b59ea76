"""Where a rig file says that a serial line is: what may stand there, the same for every driver that reads one."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from typing import Annotated, TypeVar

from pydantic import AfterValidator, Field
from pydantic_core import PydanticCustomError

from drivers import adapters
from drivers.tables import PortTable


def _place(url: str) -> str:
    try:
        adapters.wanted(url)
    except adapters.PlaceError as error:
        raise PydanticCustomError("place", "{allowed}", {"allowed": error.allowed}) from None
    return url


SerialPlace = Annotated[
    str,
    Field(
        min_length=1,
        description="/dev/ttyUSB0, COM3, usb:SERIALNUMBER, /dev/serial/by-id/..., socket://HOST:PORT, rfc2217://...",
    ),
    AfterValidator(_place),
]
"""Where a serial line is: see adapters.py, and any pyserial URL."""

_MANY = ("socket", "rfc2217", "loop")
"""Places that are no one's alone: a server on a network serves whom it lets in, and each loop is another."""
NOT_TWO = "two readers of one take each other's bytes"
"""Why a device is one port's alone, as the end of a sentence."""


class SerialPort(PortTable):
    """A serial line (or anything a pyserial URL can name)."""

    url: SerialPlace

    @property
    def alone(self) -> str | None:
        """The device that no other port may read as well, written in one way; None where several may."""
        asked = adapters.wanted(self.url)
        if asked is not None:
            return f"usb:{','.join(f'{key}={asked[key]}' for key in sorted(asked))}"
        scheme, named, _ = self.url.partition("://")
        if named:
            return None if scheme in _MANY else self.url
        return os.path.normpath(self.url)


def shared(ports: Sequence[PortTable]) -> Iterator[tuple[int, str, str]]:
    """(index, its place, the port before it) of every port on a device that another reads: each would get a part of the bytes.

    Only what the places say: whether two different ones lead to one device is seen when they are opened.
    """
    first: dict[str, str] = {}
    for index, port in enumerate(ports):
        if isinstance(port, SerialPort) and (device := port.alone) is not None:
            if device in first:
                yield index, port.url, first[device]
            first.setdefault(device, port.name)


_Port = TypeVar("_Port", bound=PortTable)


def elsewhere(port: _Port, url: str) -> _Port:
    """The same port at another place, which stands in its key `url`. Raises drivers.ports.PortError."""
    from drivers.ports import PortError

    try:
        adapters.wanted(url)
    except adapters.PlaceError as error:
        raise PortError(f"port '{port.name}': {error}") from None
    return port.model_copy(update={"url": url})
