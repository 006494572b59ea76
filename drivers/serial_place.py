"""Where a rig file says that a serial line is: what may stand there, the same for every driver that reads one."""

from __future__ import annotations

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

_Port = TypeVar("_Port", bound=PortTable)


def elsewhere(port: _Port, url: str) -> _Port:
    """The same port at another place, which stands in its key `url`. Raises drivers.ports.PortError."""
    from drivers.ports import PortError

    try:
        adapters.wanted(url)
    except adapters.PlaceError as error:
        raise PortError(f"port '{port.name}': {error}") from None
    return port.model_copy(update={"url": url})
