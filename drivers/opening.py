"""Opens a serial line wherever its adapter is now; why that cannot be is one sentence."""

from __future__ import annotations

import contextlib
import errno
from typing import Any

import serial

from drivers import adapters

_refused: type[Exception] = OSError
with contextlib.suppress(ImportError):  # no POSIX
    from termios import error as _refused

_TAKEN = (errno.EAGAIN, errno.EACCES, errno.EBUSY)
"""What the system says of a device that another program holds: two readers would each get a part of the bytes."""
LOST = (serial.SerialException, OSError, TypeError)
"""What reading from a wire that is gone may raise. TypeError: closed under a read (pyserial 3.5)."""


class NotOpened(ValueError):
    """A line that cannot be opened. The message says why, and where."""


def opened(url: str, plugged: adapters.Plugged, taken: str, **settings: Any) -> tuple[Any, str]:
    """(the open line, the device it is on). `taken` says in words how it is asked for, for a port that does not take that.

    No other program that asks as this one does may have it open. Raises NotOpened.
    """
    try:
        place = adapters.device(url, plugged)
    except adapters.AdapterError as error:
        raise NotOpened(f"cannot open: {error}") from None
    try:
        return serial.serial_for_url(place, exclusive=True, **settings), place
    except (serial.SerialException, OSError, ValueError) as error:
        if isinstance(error.__context__, UnicodeError):  # an empty part, or one of more than 63 letters
            raise NotOpened(f"cannot open: no host can be called that ({place})") from None
        cause = error.__context__ if isinstance(error.__context__, OSError) else error
        if "lock" in str(error) and getattr(cause, "errno", None) in _TAKEN:
            raise NotOpened(f"cannot open: another program has it open ({place})") from None
        if "configure port" in str(error):  # pyserial asked the system for the settings of a wire, and it has none
            raise NotOpened(f"cannot open: found no serial port ({place})") from None
        raise NotOpened(f"cannot open: {reason(error)} ({place})") from None
    except _refused:
        raise NotOpened(f"cannot open: the port does not take {taken} ({place})") from None


def reason(error: BaseException) -> str:
    """What the system said, without the library's wrapping."""
    cause = error.__context__ if isinstance(error.__context__, OSError) else error
    return " ".join((getattr(cause, "strerror", None) or str(error)).split())
