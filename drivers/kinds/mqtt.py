"""Readings from an MQTT broker: SenML packs, JSON with a pointer, or a bare number."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Annotated, Literal
from urllib.parse import urlsplit

from pydantic import Field, ValidationInfo, field_validator
from pydantic_core import PydanticCustomError

from drivers.driver import Driver, Fault
from drivers.tables import PortTable, SourceTable
from drivers.units import UNITS

if TYPE_CHECKING:
    from drivers.config import Channel
    from drivers.ports import RunningPort
    from drivers.reading import Clock, Sink


class MqttPort(PortTable):
    """A broker whose topics carry readings. Passwords never stand in the rig file: `password_env` names a variable."""

    driver: Literal["mqtt"]
    host: Annotated[str, Field(min_length=1)]
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    qos: Literal[0, 1] = 1
    protocol: Literal["3.1.1", "5"] = "5"
    user: str | None = None
    password_env: str | None = None


class MqttSource(SourceTable):
    """Where in the messages of a broker the value stands.

    `senml`: the record whose resolved name is `n`. `json`: the number at the RFC 6901 `pointer`. `number`: the whole
    payload is one number. `unit` says what a `json` or `number` value is in; SenML says that itself.
    """

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

    def place(self) -> tuple[object, ...]:
        """Topic and what stands where in it."""
        return (self.topic, self.n or self.pointer or "")


def _open(
    port: MqttPort, channels: Sequence[Channel], sink: Sink, clock: Clock, wall_s: Callable[[], float]
) -> RunningPort:
    from drivers.mqtt import MqttReader

    return MqttReader(port, channels, sink, clock, wall_s)


def _elsewhere(port: MqttPort, url: str) -> MqttPort:
    """`mqtt://HOST:PORT`, `tcp://HOST:PORT` or `HOST:PORT`, with `USER@` before. Raises PortError."""
    from drivers.ports import PortError

    parts = urlsplit(url if "://" in url else f"mqtt://{url}")
    allowed = f"port '{port.name}': found '{url}', allowed is mqtt://HOST:PORT"
    try:
        number = parts.port or 1883
    except ValueError:
        raise PortError(allowed) from None
    if parts.scheme not in ("mqtt", "tcp", "socket") or not parts.hostname or parts.path not in ("", "/"):
        raise PortError(allowed)
    return port.model_copy(update={"host": parts.hostname, "port": number, "user": parts.username or port.user})


def _faults(_port: MqttPort, channels: Sequence[Channel]) -> Iterator[tuple[str, Fault]]:
    formats: dict[str, str] = {}
    for channel in channels:
        source = channel.source
        if isinstance(source, MqttSource):
            yield from ((channel.name, fault) for fault in _of_one(channel, source))
            first = formats.setdefault(source.topic, source.format)
            if first != source.format:
                allowed = f"one format a topic: '{source.topic}' is '{first}' already"
                yield channel.name, (("format",), f"'{source.format}'", allowed)


def _of_one(channel: Channel, source: MqttSource) -> Iterator[Fault]:
    if source.format == "senml" and source.n is None:
        yield ("n",), "nothing", "the record's name: format 'senml' needs it"
    if source.format == "senml" and source.unit is not None:
        yield ("unit",), f"'{source.unit}'", "no unit: a SenML pack says its own"
    if source.format == "json" and source.pointer is None:
        yield ("pointer",), "nothing", "a JSON pointer such as '/tilt/0': format 'json' needs it"
    units = UNITS[channel.quantity][1]
    if source.unit is not None and source.unit not in units:
        yield ("unit",), f"'{source.unit}'", f"a unit of {channel.quantity}: {', '.join(units)}"
    if source.format != "senml" and source.unit is None:
        yield ("unit",), "nothing", f"what the number is in: format '{source.format}' needs it"


DRIVER = Driver(
    "mqtt", "SenML, JSON or bare numbers from an MQTT broker", MqttPort, MqttSource, _open, _elsewhere, _faults
)
