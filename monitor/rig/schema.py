"""What a rig file may say: one class a table, SI inside, frozen once read.

Field meanings, units and signs stand in the descriptions, which are also what `inchwatch check --schema` prints.
What two tables must agree on (a channel that exists, a bag that a step names) is checked in checks.py.
"""

from __future__ import annotations

from math import hypot
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from drivers.config import Channel, Name, Port, Strict, told
from drivers.kinds.mqtt import Broker
from drivers.tables import FLAG, NUMBER, WHOLE
from drivers.units import Angle, Area, Force, Length, Pressure, Ratio, Speed, Time, Volume
from monitor.rig.dates import Day, Days
from monitor.rig.measure import Difference, Measure, Measured

Point2 = tuple[Length, Length]
Point3 = tuple[Length, Length, Length]
_Number = Annotated[float, NUMBER]


APART_M = 0.025
"""How far two stacks of one lift may part at least, where the file does not say: as far as a load may go uncaptured (common
practice, no source)."""


class RigInfo(Strict):
    """Who this rig is."""

    name: Name
    units: Literal["metric", "us"] = "metric"
    notes: str = ""


class LoadPart(Strict):
    """One part of a load whose weight is not known: a simple body of a named material, in the load frame."""

    shape: Literal["box", "cylinder", "slab"]
    size: list[Length]
    at: Point3
    material: str


class Load(Strict):
    """The load. The load frame's x and y lie in its underside; z is up from there.

    `raise` is how high it is wanted: the rise of that stack's head that rises most. Only a proposed plan asks for it.
    """

    name: str = "load"
    centre_of_gravity: Point3 | None = None
    weight: Force | None = None
    part: list[LoadPart] = []
    outline: list[Point2] = []
    thickness: Length | None = None
    hinge: tuple[Point2, Point2] | None = None
    raise_: Annotated[Length | None, Field(alias="raise")] = None


class Bag(Strict):
    """One bag of a stack. `capacity` is its data plate: force against height at working pressure.

    `capacity_error`: one standard deviation of the plate's forces, as a common share of them. `height` and
    `temperature` are channels, where a sensor measures the bag's own height or the temperature of its air.
    """

    name: Name
    working_pressure: Pressure
    height_flat: Length
    pressure: Name
    plate_tilt: tuple[Name, Name] | None = None
    height: Name | None = None
    temperature: Name | None = None
    capacity_error: Annotated[Ratio, Field(ge=0.0, le=0.5)] = 0.01
    capacity: Annotated[list[tuple[Length, Force]], Field(min_length=2)]


class Stack(Strict):
    """Bags one on another, from the foot up.

    `ring` is the radius of the foot's ring, in which the head's centre must stay. Where the head's own ring must stay
    in it whole, `head_ring` is its radius.
    """

    name: Name
    at: Point2
    height_at_zero: Length
    supply: Pressure
    fill_order: Literal["top-first", "bottom-first"] = "top-first"
    ring: Length
    head_ring: Length = 0.0
    head_tilt: tuple[Name, Name] | None = None
    head_offset: tuple[Name, Name] | None = None
    bag: Annotated[list[Bag], Field(min_length=1, max_length=3)]


class Shore(Strict):
    """A self-locking pneumatic shore that follows the load. `load_cell` is a channel of force, where one is fitted."""

    name: Name
    at: Point2
    extension: Name
    pressure: Name | None = None
    load_cell: Name | None = None
    follow_pressure: Pressure
    piston_area: Area
    lock_pitch: Length = 0.001
    rated: list[tuple[Length, Force]] = []
    length_at_zero: Length | None = None
    gap_allowed: Length = 0.006


class Crib(Strict):
    """A box crib under the load: timbers crosswise in layers, `members` of them a layer, standing `width` wide."""

    name: Name
    at: Point2
    timber: Literal["4x4", "6x6"] = "4x4"
    members: Annotated[Literal[2, 3], WHOLE] = 2
    width: Length
    wet: Annotated[bool, FLAG] = False


class Ground(Strict):
    """What the ground may bear under a foot or a crib, as whoever judged it says."""

    bearing: Pressure


class Supply(Strict):
    """Air that is carried: a cylinder or a tank, `filled` to a pressure (gauge).

    Either `volume`, what it would hold of water, or `free_air`, what it gives in free air from `filled` down to nothing:
    some are named by the one, some by the other. `pressure` is a channel of what is left in it.
    """

    name: Name
    volume: Volume | None = None
    free_air: Volume | None = None
    filled: Pressure
    pressure: Name | None = None


class HeightSensor(Strict):
    """A sensor of the load's rise at a point `at`, `height` above the load's underside.

    mount "load": the rise of that load-fixed point. "ground": a rangefinder standing on the ground below `at`, looking
    straight up at a face that lies `height` above the underside. "wire": a draw-wire from the ground-fixed `anchor`
    to that load-fixed point, measuring its slant length; the anchor is given in the load frame as it stands at the zero.
    """

    channel: Name
    at: Point2
    mount: Literal["load", "ground", "wire"] = "load"
    height: Length = 0.0
    anchor: Point3 | None = None


class TiltSensor(Strict):
    """An inclinometer on the load. `axis` lies in the load plane; reads positive when its + end goes up.

    `mounting` is what it reads when the load's underside is level along that axis.
    """

    channel: Name
    axis: tuple[_Number, _Number]
    mounting: Angle = 0.0


class Until(Strict):
    """Where a step stops: a rise at a stack head, or a bag's pressure."""

    rise: Length | None = None
    at: Name | None = None
    pressure: Pressure | None = None


class Step(Strict):
    """One step of the plan."""

    do: Literal["fill", "capture", "hold", "lower", "vent", "work", "check"]
    bag: Name | None = None
    until: Until | None = None
    for_: Annotated[Time | None, Field(alias="for")] = None
    say: str = ""


class ChecklistItem(Strict):
    """One thing to be looked at before the lift, and who looks. The whole list replaces the usual one."""

    item: Annotated[str, Field(min_length=1, max_length=72, pattern=r"^[^\x00-\x1f\x7f]*[^\W\d][^\x00-\x1f\x7f]*$")]
    who: Annotated[str, Field(min_length=1, max_length=24, pattern=r"^[^\x00-\x1f\x7f]+$")] | None = None


class Limits(Strict):
    """The plan's limits. The defaults are common practice, no source.

    `apart`: how far the heads of two stacks of one lift may part, beyond what turning about the planned hinge explains;
    where it is not given 25 mm, or a quarter more than the plan itself parts them.
    """

    capture_every: Length = 0.025
    rise_rate: Speed = 0.012
    tilt: Angle = 0.20943951023931956
    cross_tilt: Angle = 0.03490658503988659
    weight_margin: Ratio = 0.1
    apart: Length | None = None


class Link(Broker):
    """The broker over which others follow the lift, live: `inchwatch run` publishes there. Read-only but for STOP."""


class Calibration(Strict):
    """One calibration of a channel against a reference; the newest of a channel counts. It may stand in a file beside the rig's.

    `points`: [read, true] of at least two, both rising. `uncertainty`: one standard deviation of the reference used;
    `spread`: one of the mean that each `read` is. It holds for `valid_for` (a year: common practice, no source).
    """

    channel: Name
    date: Day
    who: Annotated[str, Field(min_length=1, max_length=60, pattern=r"^[^\x00-\x1f\x7f]+$")]
    points: Annotated[list[tuple[Measured, Measured]], Field(min_length=2, max_length=100)]
    uncertainty: Difference
    spread: Difference = Measure(None, 0.0)
    valid_for: Days = 365

    @property
    def doubt(self) -> float:
        """One standard uncertainty of a point (SI), reference and reading together."""
        return hypot(self.uncertainty.si, self.spread.si)


class Rig(Strict):
    """A whole rig file, with the calibrations kept beside it."""

    version: Annotated[Literal[1], WHOLE]
    rig: RigInfo
    load: Load
    stack: Annotated[list[Stack], Field(min_length=1)]
    shore: list[Shore] = []
    crib: list[Crib] = []
    ground: Ground | None = None
    supply: list[Supply] = []
    height: list[HeightSensor] = []
    tilt: list[TiltSensor] = []
    step: list[Step] = []
    checklist: Annotated[list[ChecklistItem], Field(max_length=40)] = []
    limits: Limits = Limits()
    port: Annotated[list[Port], Field(min_length=1)]
    channel: Annotated[list[Channel], Field(min_length=1)]
    calibration: list[Calibration] = []
    link: Link | None = None

    @model_validator(mode="before")
    @classmethod
    def _sources_of_their_ports(cls, document: Any) -> Any:
        return told(document)
