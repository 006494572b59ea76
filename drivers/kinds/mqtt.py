"""Readings from an MQTT broker: SenML packs, JSON with a pointer, or a bare number."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, Self
from urllib.parse import urlsplit

from pydantic import Field, StringConstraints, ValidationInfo, field_validator, model_validator
from pydantic_core import PydanticCustomError

from drivers.driver import Driver, Fault
from drivers.senml import NAME
from drivers.tables import FLAG, WHOLE, Name, PortTable, SourceTable, Strict
from drivers.topics import FILTER, covers, overlap, shared, whole
from drivers.units import UNITS, Time
from drivers.units import allowed as form_of

if TYPE_CHECKING:
    from drivers.config import Channel
    from drivers.ports import RunningPort
    from drivers.reading import Clock, Sink


_FILES = ("ca", "certificate", "key", "password_file")
_File = Annotated[str, Field(min_length=1, pattern=r"^[^\x00-\x1f\x7f]+$")]
_LONGEST_SESSION_S = 2**32 - 2
_NEEDS = {"ca": "tls", "certificate": "tls", "key": "certificate", "password_env": "user", "password_file": "user"}
"""Keys that mean nothing without another."""
CLEAR, CLOSED = 1883, 8883
"""The ports that are registered for MQTT in clear text and over TLS."""


class Broker(Strict):
    """A broker, and what it takes to be let in.

    `tls`: the wire is TLS, or there is none; `port` is then 8883 unless said. `ca` is a file of the authorities (PEM) that
    may have signed the broker's certificate; without it those count that the machine knows. `certificate` and `key` are
    the client's own, for brokers that ask for one; one file may hold both.

    Passwords never stand in the rig file: `password_env` names a variable, `password_file` a file of one line. It and
    the private key may be read by their owner only.

    Files are named absolutely, or relative to the rig file. Only their names are kept in a recording, as they were
    written; a replay opens none of them. Where a rig comes from a text and from no file, they are relative to where the
    program runs.
    """

    host: Annotated[str, Field(min_length=1)]
    port: Annotated[int, Field(ge=1, le=65535), WHOLE] = CLEAR
    protocol: Literal["3.1.1", "5"] = "5"
    tls: Annotated[bool, FLAG] = False
    ca: _File | None = None
    certificate: _File | None = None
    key: _File | None = None
    user: Annotated[str, Field(min_length=1)] | None = None
    password_env: str | None = None
    password_file: _File | None = None

    @model_validator(mode="before")
    @classmethod
    def _where_tls_is(cls, given: Any) -> Any:
        if isinstance(given, dict) and given.get("tls") is True and "port" not in given:
            return given | {"port": CLOSED}
        return given

    @field_validator(*_NEEDS)
    @classmethod
    def _with_what_it_needs(cls, value: str | None, info: ValidationInfo) -> str | None:
        key = info.field_name or ""
        needed = _NEEDS[key]
        if value is not None and not info.data.get(needed, True):
            wanted = "tls = true" if needed == "tls" else f"a '{needed}'"
            raise PydanticCustomError("port", "{allowed}", {"allowed": f"this key goes with {wanted} only"})
        if value is not None and key == "password_file" and info.data.get("password_env") is not None:
            raise PydanticCustomError("port", "{allowed}", {"allowed": "one of password_env and password_file"})
        return value

    def beside(self, folder: Path) -> Self:
        """The same broker, its files found from the rig file's folder."""
        named = {key: getattr(self, key) for key in _FILES}
        return self.model_copy(update={key: str(folder / name) for key, name in named.items() if name is not None})

    def at(self, url: str, who: str) -> Self:
        """The same at `mqtts://HOST:PORT`, `mqtt://HOST:PORT`, `tcp://HOST:PORT` or `HOST:PORT`, with `USER@` before. Raises
        PortError, which begins with `who`.

        What is closed by TLS stays closed: `mqtt://` and `tcp://` are no place for it.
        """
        from drivers.ports import PortError

        parts = urlsplit(url if "://" in url else f"//{url}")
        allowed = f"{'' if self.tls else 'mqtt://HOST:PORT or '}mqtts://HOST:PORT"
        try:
            number = parts.port
            secret = parts.password is not None
        except ValueError:
            raise PortError(f"{who}: found '{url}', allowed is {allowed}") from None
        if secret:
            raise PortError(f"{who}: found a password in a URL, which others can read; allowed is {allowed}")
        if (
            parts.scheme not in ("", "mqtts", "mqtt", "tcp", "socket")
            or not parts.hostname
            or parts.path not in ("", "/")
        ):
            raise PortError(f"{who}: found '{url}', allowed is {allowed}")
        if self.tls and parts.scheme not in ("", "mqtts"):
            raise PortError(f"{who}: found '{url}', allowed is {allowed}: the rig file asks for TLS")
        tls = self.tls or parts.scheme == "mqtts"
        number = number or (CLOSED if tls else CLEAR)
        user = parts.username or self.user
        return self.model_copy(update={"host": parts.hostname, "port": number, "user": user, "tls": tls})


class MqttPort(Broker, PortTable):
    """A broker whose topics carry readings.

    `session`: how long the broker puts messages of QoS 1 aside for us while we are away, under the name `client_id`, which
    no other program may have. They come late: they are kept in the recording and marked old, and nothing is computed from
    them (see drivers/mqtt.py).
    """

    driver: Literal["mqtt"]
    qos: Annotated[Literal[0, 1], WHOLE] = 1
    client_id: Name | None = None
    session: Time | None = None

    @field_validator("session")
    @classmethod
    def _with_a_name(cls, value: float | None, info: ValidationInfo) -> float | None:
        if value is None:
            return None
        if not 1.0 <= value <= _LONGEST_SESSION_S:
            raise PydanticCustomError("session", "{allowed}", {"allowed": f"a second or more: {form_of('time')}"})
        for key, wanted in (("client_id", "a 'client_id'"), ("qos", "qos = 1"), ("protocol", "protocol = '5'")):
            if info.data.get(key, 1) in (None, 0, "3.1.1"):
                raise PydanticCustomError("session", "{allowed}", {"allowed": f"this key goes with {wanted} only"})
        return value


class Presence(Strict):
    """Where the sender of a channel says whether it is there: the payload `gone`, most often its Last Will, says that it is
    not, any other that it is. An empty payload says nothing. White space at the ends of either is none of it."""

    topic: Annotated[str, Field(min_length=1, pattern=r"^[^+#\x00]+$", description="a topic without wildcards")]
    gone: Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=80)]


class MqttSource(SourceTable):
    """Where in the messages of a broker the value stands.

    `senml`: the record whose resolved name is `n`. `json`: the number at the RFC 6901 `pointer`. `number`: the whole
    payload is one number. `unit` says what a `json` or `number` value is in; SenML says that itself.

    In `topic` a `+` stands for one level that may be anything: `+/node-7/height` where any of several gateways hands node 7
    on. A `#` at its end stands for all that follows. A channel stays one sensor: whoever is heard first keeps it until silent
    for its `stale_after`. With `$share/GROUP/` before it the subscription is shared: of its group's programs each gets a part
    of the messages.

    `presence`: the channel is lost at once when its sender is said to be gone, and not only when it has been silent for its
    `stale_after`. It is back when that is said, or when a live value comes.
    """

    topic: Annotated[
        str,
        Field(min_length=1, pattern=FILTER, description="a topic; + may stand for one level, # for all that follow"),
    ]
    format: Literal["senml", "json", "number"]
    n: str | None = None
    pointer: Annotated[str, Field(pattern=r"^(/([^/~]|~[01])*)*$")] | None = None
    unit: str | None = None
    presence: Presence | None = None

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
    return port.at(url, f"port '{port.name}'")


def _faults(port: MqttPort, channels: Sequence[Channel]) -> Iterator[tuple[str, Fault]]:
    before: list[tuple[str, MqttSource]] = []
    presences: dict[str, str] = {}
    for channel in channels:
        if isinstance(channel.source, MqttSource) and (said := channel.source.presence) is not None:
            first = presences.setdefault(said.topic, said.gone)
            if first != said.gone:
                allowed = f"one word a topic: '{said.topic}' says '{first}' already"
                yield channel.name, (("presence", "gone"), f"'{said.gone}'", allowed)
    for channel in channels:
        source = channel.source
        if isinstance(source, MqttSource):
            yield from ((channel.name, fault) for fault in _of_one(channel, source))
            beside = (
                () if source.topic.endswith("#") else presences
            )  # all of a node: what it says of itself is known by its topic
            taken = next((it for it in beside if overlap(it, source.topic)), None)
            if taken is not None:
                yield channel.name, (("topic",), f"'{source.topic}'", f"no topic of a presence, which is '{taken}'")
            wrong = next((fault for name, other in before if (fault := _of_two(port, source, name, other))), None)
            if wrong is not None:
                yield channel.name, wrong
            before.append((channel.name, source))


def _of_two(port: MqttPort, source: MqttSource, name: str, other: MqttSource) -> Fault | None:
    """What two sources of one broker, of which one message may be for both, have wrong with each other."""
    if not overlap(source.topic, other.topic):
        return None
    if source.format != other.format:
        allowed = f"one format a topic: '{other.topic}' is '{other.format}' already"
        return ("format",), f"'{source.format}'", allowed
    if source.topic == other.topic:
        return None
    if source.place()[1:] == other.place()[1:]:
        return ("topic",), f"'{source.topic}'", f"no topic of channel {name}, which is '{other.topic}'"
    apart = covers(source.topic, other.topic) or covers(other.topic, source.topic)
    if port.protocol != "5" and not (apart and shared(source.topic) == shared(other.topic)):
        allowed = f"with protocol '3.1.1' none that takes some topics of '{other.topic}': they would come twice"
        return ("topic",), f"'{source.topic}'", allowed
    return None


def _of_one(channel: Channel, source: MqttSource) -> Iterator[Fault]:
    if source.format == "senml" and source.n is None:
        yield ("n",), "nothing", "the record's name: format 'senml' needs it"
    if source.n is not None and not NAME.fullmatch(source.n):
        allowed = "letters, digits and - : . / _, the first a letter or digit: no record is called otherwise"
        yield ("n",), f"'{source.n}'", allowed
    if not whole(source.topic):
        yield ("topic",), f"'{source.topic}'", "$share/GROUP/ and what is shared, such as '$share/yard/sensors/#'"
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
