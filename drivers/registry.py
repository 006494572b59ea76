"""Which drivers there are: entry points of the group `inchwatch.drivers`, our own and anybody's.

One that cannot be used is told in a sentence and left out; the others work.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from functools import cache
from importlib.metadata import EntryPoint, entry_points
from typing import Literal, get_args, get_origin

from drivers.driver import Driver
from drivers.tables import PortTable, SourceTable

GROUP = "inchwatch.drivers"


@dataclass(frozen=True, slots=True)
class Found:
    """One entry point: its name, the distribution it comes from, and the driver, or what is wrong with it."""

    name: str
    origin: str
    driver: Driver | None
    fault: str = ""


def examined(points: list[EntryPoint]) -> tuple[Found, ...]:
    """Every entry point of a list, loaded and looked at, by name. Never raises."""
    often = Counter(point.name for point in points)
    found = []
    for point in sorted(points, key=lambda it: (it.name, it.value)):
        origin = f"{point.dist.name} {point.dist.version}" if point.dist is not None else "an unknown distribution"
        if often[point.name] > 1:
            fault = f"found {often[point.name]} drivers of this name; one is allowed"
            found.append(Found(point.name, origin, None, f"driver '{point.name}' of {origin}: {fault}"))
            continue
        try:
            loaded = point.load()
        except KeyboardInterrupt:
            raise
        except BaseException as error:  # noqa: BLE001 - another's code: whatever it raises must not stop the rest
            fault = f"found {type(error).__name__} ({_one_line(error)}) on loading '{point.value}'"
            found.append(Found(point.name, origin, None, f"driver '{point.name}' of {origin}: {fault}"))
            continue
        fault = _wrong(point.name, loaded)
        found.append(
            Found(point.name, origin, None, f"driver '{point.name}' of {origin}: {fault}")
            if fault
            else Found(point.name, origin, loaded)
        )
    return tuple(found)


@cache
def found() -> tuple[Found, ...]:
    """Every driver that is installed, those that cannot be used included; looked up once a process."""
    return examined(list(entry_points(group=GROUP)))


def usable() -> dict[str, Driver]:
    """The drivers that can be used, by name."""
    return {it.name: it.driver for it in found() if it.driver is not None}


def _wrong(name: str, loaded: object) -> str:
    """What keeps an object from being the driver of a name, or ""."""
    if not isinstance(loaded, Driver):
        return f"found a {type(loaded).__name__}; allowed is a drivers.driver.Driver"
    if loaded.name != name:
        return f"found a driver that calls itself '{loaded.name}'; both names must be one"
    for table, base in ((loaded.port, PortTable), (loaded.source, SourceTable)):
        if not (isinstance(table, type) and issubclass(table, base)):
            return f"found {table!r} as its table; allowed is a subclass of {base.__name__}"
    driver = loaded.port.model_fields["driver"].annotation
    if get_origin(driver) is not Literal or get_args(driver) != (name,):
        return f"found a port table for any driver; its 'driver' must be Literal['{name}']"
    return ""


def _one_line(error: BaseException) -> str:
    return " ".join(str(error).split())[:120]
