"""Serial adapters found by what they are: the system numbers them anew each time one is pulled and put back.

A place is one of these, and looked up anew whenever a wire is opened:

- `usb:SERIALNUMBER`, or `usb:KEY=VALUE,...` with any of `serial`, `vid`, `pid` (four hex digits) and `location`;
- a path with `*`, `?` or `[` in it, such as `/dev/serial/by-id/usb-*-port0`, that leads to one device;
- anything else is taken as it stands.
"""

from __future__ import annotations

import glob
import os
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from urllib.parse import urlsplit

KEYS = ("serial", "vid", "pid", "location")
ALLOWED = "usb:SERIALNUMBER, or usb:KEY=VALUE,... with serial, vid, pid (4 hex digits each) or location"

_USB = "usb:"
_TCP = ("socket", "rfc2217")
_HEX = re.compile(r"[0-9a-fA-F]{4}")
_NAMED = 6
"""So many devices are told by name in a sentence."""


class AdapterError(ValueError):
    """No device can be named for a place. The message is one sentence that says what is there."""


class PlaceError(AdapterError):
    """A place that names nothing wherever it is looked for. `allowed` is the end of its sentence."""

    def __init__(self, place: str, allowed: str) -> None:
        super().__init__(f"found '{place}', allowed is {allowed}")
        self.allowed = allowed


@dataclass(frozen=True, slots=True)
class Adapter:
    """A USB serial adapter that is plugged in. `vid`, `pid`: four hex digits; `location`: bus and ports, as in 1-1.4:1.0."""

    device: str
    vid: str
    pid: str
    serial: str | None = None
    location: str | None = None

    def __str__(self) -> str:
        serial = f" serial {self.serial}" if self.serial else ""
        location = f" at {self.location}" if self.location else ""
        return f"{self.device} ({self.vid}:{self.pid}{serial}{location})"

    def is_a(self, wanted: dict[str, str]) -> bool:
        """Whether all that is wanted is so. A location may leave out the interface, which follows its colon."""
        for key, value in wanted.items():
            found = getattr(self, key)
            if found is None or (found != value and not (key == "location" and found.startswith(f"{value}:"))):
                return False
        return True


Plugged = Callable[[], Iterable[Adapter]]
"""Gives the adapters that are plugged in now."""


def plugged() -> list[Adapter]:
    """The USB serial adapters that the system knows now."""
    from serial.tools.list_ports import comports

    return [
        Adapter(it.device, f"{it.vid:04x}", f"{it.pid or 0:04x}", it.serial_number or None, it.location or None)
        for it in comports()
        if it.vid is not None
    ]


def wanted(place: str) -> dict[str, str] | None:
    """What a `usb:` place asks for, by key; None for a place of another kind. Raises PlaceError, as for a place on a network
    without a host and a port."""
    if not place.startswith(_USB):
        scheme = place.partition("://")[0]
        if scheme in _TCP and not _has_host_and_port(place):
            raise PlaceError(place, f"{scheme}://HOST:PORT")
        return None
    asked = place.removeprefix(_USB)
    if "=" not in asked:
        asked = f"serial={asked}"
    found: dict[str, str] = {}
    for pair in asked.split(","):
        key, _, value = (part.strip() for part in pair.partition("="))
        if key not in KEYS or key in found or not value or (key in ("vid", "pid") and not _HEX.fullmatch(value)):
            raise PlaceError(place, ALLOWED)
        found[key] = value.lower() if key in ("vid", "pid") else value
    return found


def _has_host_and_port(url: str) -> bool:
    try:
        parts = urlsplit(url)
        return bool(parts.hostname) and parts.port is not None
    except ValueError:
        return False


def device(place: str, adapters: Plugged = plugged) -> str:
    """The device or serial URL that a place means now. Raises AdapterError if it means none, or more than one."""
    asked = wanted(place)
    if asked is not None:
        return _adapter(place, asked, list(adapters()))
    if "://" not in place and glob.has_magic(place):
        return _file(place)
    return place


def _adapter(place: str, asked: dict[str, str], there: list[Adapter]) -> str:
    fitting = [it for it in there if it.is_a(asked)]
    if len(fitting) == 1:
        return fitting[0].device
    if fitting:
        raise AdapterError(f"{len(fitting)} adapters are {place}: {_some(fitting)}; say which by serial or location")
    raise AdapterError(f"no adapter is {place}; plugged in: {_some(there)}")


def _file(pattern: str) -> str:
    devices = sorted({os.path.realpath(path) for path in glob.glob(pattern)})
    if len(devices) == 1:
        return devices[0]
    if devices:
        raise AdapterError(f"{len(devices)} devices are {pattern}: {_some(devices)}; one is allowed")
    folder = os.path.dirname(pattern) or "."
    while glob.has_magic(folder):
        folder = os.path.dirname(folder)
    try:
        there = sorted(os.listdir(folder))
    except OSError:
        raise AdapterError(f"no device is {pattern}; there is no folder {folder}") from None
    raise AdapterError(f"no device is {pattern}; in {folder}: {_some(there)}")


def _some(them: Iterable[object]) -> str:
    every = [str(it) for it in them]
    more = f" and {len(every) - _NAMED} more" if len(every) > _NAMED else ""
    return (", ".join(every[:_NAMED]) or "nothing") + more
