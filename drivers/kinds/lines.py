"""Lines of text over a serial line, or over anything a pyserial URL can name: what home-made nodes print."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field, field_validator
from pydantic_core import PydanticCustomError

from drivers.driver import Driver, Fault
from drivers.patterns import PLAIN, PatternError, line_pattern
from drivers.serial_place import SerialPort, elsewhere
from drivers.tables import WHOLE, SourceTable
from drivers.units import UNITS

if TYPE_CHECKING:
    from drivers.config import Channel
    from drivers.ports import RunningPort
    from drivers.reading import Clock, Sink


class LinesPort(SerialPort):
    """A serial line (or anything a pyserial URL can name) on which a node prints lines of text, such as `P1=2.31 bar`.

    A line ends with a line feed and has 128 bytes at most.
    `pattern` is a regular expression that fits a whole line (white space at its ends aside). Its groups say what stands
    where: `value` the number, `id` whose it is, `unit` what it is in. Where a line holds several numbers, `value_T1` is
    the number of the id T1, and `unit_T1` its unit: 'T=(?P<value_T1>[-.0-9]+);H=(?P<value_H1>[-.0-9]+)'. A line has no
    checksum: a byte lost on the way is another number, and only the channel's range stands before it. Where there is a
    choice, let the node print NMEA sentences.
    """

    driver: Literal["lines"]
    baud: Annotated[int, Field(ge=300, le=4_000_000), WHOLE] = 9600
    pattern: Annotated[str, Field(min_length=1, max_length=400, description="a regular expression")] = PLAIN

    @field_validator("pattern")
    @classmethod
    def _usable(cls, given: str) -> str:
        try:
            line_pattern(given)
        except PatternError as error:
            raise PydanticCustomError("pattern", "{allowed}", {"allowed": str(error)}) from None
        return given


class LinesSource(SourceTable):
    """Which number of a line: `id` as the line or the pattern's group says it; none where lines hold one number and no id.

    `unit` is what the number is in where the line does not say.
    """

    id: Annotated[str, Field(min_length=1)] | None = None
    unit: str | None = None

    def place(self) -> tuple[object, ...]:
        """The id: one number is one channel's."""
        return (self.id,)


def _open(
    port: LinesPort, channels: Sequence[Channel], sink: Sink, clock: Clock, _wall_s: Callable[[], float]
) -> RunningPort:
    from drivers.text_line import TextReader

    return TextReader(port, channels, sink, clock)


def _faults(port: LinesPort, channels: Sequence[Channel]) -> Iterator[tuple[str, Fault]]:
    pattern = line_pattern(port.pattern)
    ids = [number.id for number in pattern.numbers if number.id is not None]
    with_unit = {number.id for number in pattern.numbers if number.unit is not None}
    for channel in channels:
        source = channel.source
        if not isinstance(source, LinesSource):
            continue
        if ids and source.id not in ids:
            yield channel.name, (("id",), _said(source.id), f"an id that the pattern has a value of: {', '.join(ids)}")
        elif pattern.named and source.id is None:
            yield channel.name, (("id",), "nothing", "the id that the line gives: the pattern has a group 'id'")
        elif not ids and not pattern.named and source.id is not None:
            yield (
                channel.name,
                (("id",), _said(source.id), "no id: the pattern has neither a group 'id' nor 'value_ID'"),
            )
        units = UNITS[channel.quantity][1]
        if source.unit is not None and source.unit not in units:
            yield channel.name, (("unit",), _said(source.unit), f"a unit of {channel.quantity}: {', '.join(units)}")
        elif source.unit is None and (source.id if ids else None) not in with_unit:
            yield channel.name, (("unit",), "nothing", "what the number is in: the pattern has no group for its unit")


def _said(given: str | None) -> str:
    return "nothing" if given is None else f"'{given}'"


DRIVER = Driver(
    "lines", "lines of text on a serial line, read by a pattern", LinesPort, LinesSource, _open, elsewhere, _faults
)
