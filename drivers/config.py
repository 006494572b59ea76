"""What a port and a channel may be, as a rig file says it: the tables of every driver that is installed, told apart.

A port is told by its `driver`; a source by its port's driver where a whole rig file is read (`told`), else by its keys.
"""

from __future__ import annotations

from functools import reduce
from operator import or_
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import Discriminator, Tag, ValidationInfo, ValidatorFunctionWrapHandler, WrapValidator, field_validator
from pydantic_core import PydanticCustomError, PydanticOmit, PydanticUseDefault

from drivers import current_loop
from drivers.registry import usable
from drivers.tables import Name, PortTable, Quantity, SourceTable, Strict
from drivers.units import Time, UnitError, allowed, within_reason

__all__ = ["Channel", "Name", "Port", "Quantity", "Source", "Strict", "fails", "told"]


class _Told(dict[str, Any]):
    """A source's table, and the driver of the port it names."""

    driver = ""


def told(document: Any) -> Any:
    """A rig document whose sources know the driver of their port. Whatever is not as it should be is left as it is."""
    try:
        ports = {port["name"]: port["driver"] for port in document["port"]}
        channels = [dict(channel, source=_told(channel["source"], ports)) for channel in document["channel"]]
    except (TypeError, KeyError, ValueError):
        return document
    return document | {"channel": channels}


def _told(source: Any, ports: dict[Any, Any]) -> Any:
    driver = ports.get(source["port"])
    if not isinstance(source, dict) or driver not in usable():
        return source
    it = _Told(source)
    it.driver = driver
    return it


def _source_kind(given: Any) -> str | None:
    """The driver whose source this is: its port's, or the one whose keys are the most like those given."""
    kinds = {name: driver.source for name, driver in usable().items()}
    if isinstance(given, SourceTable):
        return next((name for name, source in kinds.items() if type(given) is source), None)
    if isinstance(given, _Told):
        return given.driver
    keys = set(given) if isinstance(given, dict) else set()
    return max(kinds, key=lambda name: (len(keys & set(kinds[name].model_fields)), name == "nmea"))


def _guarded(name: str) -> WrapValidator:
    """A driver's table whose own validators may fail as no validator should: then that is the table's fault, in a sentence."""

    def validate(given: Any, handler: ValidatorFunctionWrapHandler) -> Any:
        try:
            return handler(given)
        except (ValueError, AssertionError, PydanticUseDefault, PydanticOmit):
            raise  # those that the schema's library makes faults of
        except Exception as error:  # noqa: BLE001 - another's code
            words = {"found": fails(name, "this table", error), "allowed": "a driver that can read it"}
            raise PydanticCustomError("driver_fails", "{found}; {allowed}", words) from None

    return WrapValidator(validate)


def fails(driver: str, what: str, error: Exception) -> str:
    """How a driver that fails on what it is given is told: one line."""
    return f"'{driver}', which fails on {what} ({type(error).__name__}: {' '.join(str(error).split())})"


if TYPE_CHECKING:
    Port = PortTable
    Source = SourceTable
else:
    Port = Annotated[
        reduce(or_, (Annotated[driver.port, _guarded(name)] for name, driver in usable().items())),
        Discriminator("driver"),
    ]
    Source = Annotated[
        reduce(or_, (Annotated[driver.source, _guarded(name), Tag(name)] for name, driver in usable().items())),
        Discriminator(_source_kind),
    ]


class Loop(Strict):
    """A 4-20 mA loop: what the quantity is at 4 mA (`low`) and at 20 mA (`high`), and how long a current of failure must
    last to be one (NAMUR NE 43). The channel's source delivers the current."""

    low: float
    high: float
    fails_after: Time = current_loop.LASTS_S

    @field_validator("fails_after")
    @classmethod
    def _not_before(cls, value: float) -> float:
        if value < 0:
            raise PydanticCustomError("fails_after", "{allowed}", {"allowed": f"zero or more: {allowed('time')}"})
        return value

    def value(self, current_a: float) -> float:
        """The quantity (SI) at a current (A)."""
        return current_loop.scaled(current_a, self.low, self.high)

    def current(self, value: float) -> float:
        """The current (A) that stands for a quantity (SI)."""
        return current_loop.current(value, self.low, self.high)


class Channel(Strict):
    """One sensor value: what it measures, what it can be, and where it comes from. Limits and noise in SI."""

    name: Name
    quantity: Quantity
    range: tuple[float, float] | None = None
    noise: float | None = None
    stale_after: Time = 1.0
    loop: Loop | None = None
    source: Source

    @property
    def wired(self) -> Channel:
        """The channel as its source delivers it: the bare current where there is a loop. What a driver sees."""
        if self.loop is None:
            return self
        return self.model_copy(update={"quantity": "current", "range": None, "noise": None, "loop": None})

    @field_validator("range", mode="before")
    @classmethod
    def _range(cls, given: object, info: ValidationInfo) -> object:
        quantity = info.data.get("quantity")
        if quantity is None:
            return None  # the quantity's own fault is reported already
        if not isinstance(given, list | tuple) or len(given) != 2:
            raise PydanticCustomError("range", "{allowed}", {"allowed": f"[lowest, highest], each {allowed(quantity)}"})
        low, high = (_si(quantity, item) for item in given)
        if low >= high:
            raise PydanticCustomError("range", "{allowed}", {"allowed": "[lowest, highest] with lowest below highest"})
        return low, high

    @field_validator("loop", mode="before")
    @classmethod
    def _loop(cls, given: object, info: ValidationInfo) -> object:
        quantity = info.data.get("quantity")
        if quantity is None:
            return None
        if not isinstance(given, dict):
            return given
        ends = {key: _si(quantity, given[key]) for key in ("low", "high") if key in given}
        if len(ends) == 2 and ends["low"] == ends["high"]:
            raise PydanticCustomError("loop", "{allowed}", {"allowed": "two ends that differ, at 4 and at 20 mA"})
        return given | ends

    @field_validator("noise", mode="before")
    @classmethod
    def _noise(cls, given: object, info: ValidationInfo) -> object:
        quantity = info.data.get("quantity")
        if quantity is None:
            return None
        value = _si(quantity, given)
        other_zero = quantity == "temperature" and isinstance(given, str) and not given.rstrip().endswith("K")
        if value <= 0 or other_zero:  # 0.5 degC is 273.65 K, and no such noise
            form = "a temperature in K such as '0.1 K'" if quantity == "temperature" else allowed(quantity)
            raise PydanticCustomError("noise", "{allowed}", {"allowed": f"above zero: {form}"})
        return value

    @field_validator("stale_after")
    @classmethod
    def _positive(cls, value: float) -> float:
        if value <= 0:
            raise PydanticCustomError("stale_after", "{allowed}", {"allowed": f"above zero: {allowed('time')}"})
        return value


def _si(quantity: str, given: object) -> float:
    try:
        return within_reason(quantity, given)
    except UnitError as error:
        raise PydanticCustomError("quantity", "{allowed}", {"allowed": str(error)}) from None
