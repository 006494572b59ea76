"""What a port and a channel may be, as a rig file says it. One class a driver and one a kind of source.

The classes only say what is allowed. What opens a port lives in ports.py and mqtt.py.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Discriminator, Field, Tag, ValidationInfo, field_validator
from pydantic_core import PydanticCustomError

from drivers.units import Time, UnitError, allowed, to_si

Name = Annotated[
    str,
    Field(
        min_length=1,
        max_length=24,
        pattern=r"^[^\s/+#]+$",
        description="1 to 24 characters, no space and none of / + #",
    ),
]
"""A name that fits an alarm line and an MQTT topic level."""

Quantity = Literal["pressure", "length", "angle", "force", "temperature", "current", "voltage"]


class Strict(BaseModel):
    """A table of the rig file: unknown keys are faults, and what was read never changes."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class NmeaPort(Strict):
    """A serial line (or anything a pyserial URL can name) that talks NMEA 0183 XDR sentences."""

    name: Name
    driver: Literal["nmea"]
    url: Annotated[str, Field(min_length=1, description="/dev/ttyUSB0, COM3, socket://HOST:PORT, rfc2217://...")]
    baud: Annotated[int, Field(ge=300, le=4_000_000)] = 4800
    checksum: Literal["required", "optional"] = "required"


class MqttPort(Strict):
    """A broker whose topics carry readings. Passwords never stand in the rig file: `password_env` names a variable."""

    name: Name
    driver: Literal["mqtt"]
    host: Annotated[str, Field(min_length=1)]
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    qos: Literal[0, 1] = 1
    protocol: Literal["3.1.1", "5"] = "5"
    user: str | None = None
    password_env: str | None = None


Port = Annotated[NmeaPort | MqttPort, Discriminator("driver")]


class NmeaSource(Strict):
    """Where in the XDR sentences of a port the value stands: the quadruple's name (its fourth field)."""

    port: Name
    id: Annotated[str, Field(min_length=1)]


class MqttSource(Strict):
    """Where in the messages of a broker the value stands.

    `senml`: the record whose resolved name is `n`. `json`: the number at the RFC 6901 `pointer`. `number`: the whole
    payload is one number. `unit` says what a `json` or `number` value is in; SenML says that itself.
    """

    port: Name
    topic: Annotated[str, Field(min_length=1, pattern=r"^[^+#\x00]+$", description="a topic without wildcards")]
    format: Literal["senml", "json", "number"]
    n: str | None = None
    pointer: Annotated[str, Field(pattern=r"^(/([^/~]|~[01])*)*$")] | None = None
    unit: str | None = None

    @field_validator("n", "pointer")
    @classmethod
    def _belongs_to_its_format(cls, value: str | None, info: ValidationInfo) -> str | None:
        owner = {"n": "senml", "pointer": "json"}[info.field_name or ""]
        if value is not None and info.data.get("format", owner) != owner:
            raise PydanticCustomError("source", "{allowed}", {"allowed": f"this key goes with format = '{owner}' only"})
        return value


def _source_kind(given: Any) -> str:
    if isinstance(given, MqttSource) or (isinstance(given, dict) and ("topic" in given or "format" in given)):
        return "mqtt"
    return "nmea"


Source = Annotated[Annotated[NmeaSource, Tag("nmea")] | Annotated[MqttSource, Tag("mqtt")], Discriminator(_source_kind)]


class Channel(Strict):
    """One sensor value: what it measures, what it can be, and where it comes from. Limits and noise in SI."""

    name: Name
    quantity: Quantity
    range: tuple[float, float] | None = None
    noise: float | None = None
    stale_after: Time = 1.0
    source: Source

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

    @field_validator("noise", mode="before")
    @classmethod
    def _noise(cls, given: object, info: ValidationInfo) -> object:
        quantity = info.data.get("quantity")
        if quantity is None:
            return None
        value = _si(quantity, given)
        if value <= 0:
            raise PydanticCustomError("noise", "{allowed}", {"allowed": f"above zero: {allowed(quantity)}"})
        return value

    @field_validator("stale_after")
    @classmethod
    def _positive(cls, value: float) -> float:
        if value <= 0:
            raise PydanticCustomError("stale_after", "{allowed}", {"allowed": f"above zero: {allowed('time')}"})
        return value


def _si(quantity: str, given: object) -> float:
    try:
        return to_si(quantity, given)
    except UnitError as error:
        raise PydanticCustomError("quantity", "{allowed}", {"allowed": str(error)}) from None
