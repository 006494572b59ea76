"""What each rule looks at: small pure functions from the scene (a picture without alarms, and the rig) to an outcome.

A condition says how far a thing is gone as a share of its limit, and in words; the table in rules.py says at which
share that is an alarm. What cannot be known is `Unknown` with its reason, never zero. What is wrong with the instrument
itself, its sensors, ports and recorder, stands in instrument.py.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from math import inf

from monitor import quantities as show
from monitor.engine.alone import Moved
from monitor.engine.descent import Descent
from monitor.engine.estimate import PoseEstimate
from monitor.engine.picture import (
    BagPicture,
    Picture,
    Point,
    PortPicture,
    SensorPicture,
    ShorePicture,
    StackPicture,
)
from monitor.engine.planned import Facts, Planned
from monitor.engine.shores import Crib
from monitor.rig.schema import Rig, Step

Evidence = dict[str, float | str | None]

RISEN_M = 0.005
"""A load that has risen less may still lie where it lay (common practice, no source)."""
BOUND_SDS = 3.0
"""A danger limit is compared with the estimate plus this many standard deviations."""


@dataclass(slots=True, eq=False)
class Measured:
    """How far a thing is gone: `share` of its limit (1 is the limit), in words, and the evidence (SI).

    `says`: the words, or what makes them. Of what is measured at every tick hardly anything is ever said. Nobody changes one;
    that nobody could would take as long as the measuring, forty times a tick.
    """

    share: float
    says: str | Callable[[], str]
    evidence: Evidence

    @property
    def what(self) -> str:
        """It in words."""
        return self.says if isinstance(self.says, str) else self.says()

    def __eq__(self, other: object) -> bool:
        """Alike is what says the same, however it comes to the words."""
        if not isinstance(other, Measured):
            return NotImplemented
        return (self.share, self.what, self.evidence) == (other.share, other.what, other.evidence)


@dataclass(frozen=True, slots=True)
class Unknown:
    """It cannot be said: why, and the channels whose silence is the reason."""

    because: str
    channels: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Suppressed:
    """By design not said: another alarm says it better."""

    because: str


Outcome = Measured | Unknown | Suppressed | None
"""None: the rule has nothing to watch here now."""


@dataclass(slots=True)
class Scene:
    """Everything a condition may look at.

    `notices`: troubles of the monitor itself that stand now, kind to one sentence. `unzeroed`: channels that were
    silent at the zero; `disputed`: those of which one of a pair lies. `moving_over`: bags of stacks that were being filled
    or vented when this step began and have not been shut since. `dark` maps a channel to the danger rules its
    silence blinds; it fills while the danger rules are judged. `turned` (along an axis: the tilt
    and its standard deviation) and `lifts` (see `lifting`) are worked out once.
    `odd`: channels whose status is not "ok", or whose calibration no longer holds.
    `next_fill`, `next_vent`: the next step that fills, and that lets a named bag down. `moved`: how far the load has gone
    over the last seconds, and by whose doing; `descent`: the venting that goes on. `planned`: what the plan comes to;
    `facts`: what else is asked of the rig file; `cribs`: what is marked as packed.
    `above`: a share up to this interests nobody now, and a condition may say None instead of it.
    `raises`: how many alarms rose in the last ten minutes. `out_of_date`: channels whose calibration no longer holds, and why.
    """

    rig: Rig
    picture: Picture
    pose: PoseEstimate | None
    pose_missing: tuple[str, ...]
    lean_missing: dict[str, tuple[str, ...]]
    step: Step | None
    next_fill: Step | None
    begun: frozenset[str]
    carried_over: frozenset[str]
    notices: Mapping[str, str]
    planned: Planned
    facts: Facts
    cribs: tuple[Crib, ...] = ()
    unzeroed: frozenset[str] = frozenset()
    disputed: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    moving_over: frozenset[str] = frozenset()
    next_vent: Step | None = None
    moved: Moved | None = None
    descent: Descent | None = None
    raises: int = 0
    out_of_date: Mapping[str, str] = field(default_factory=dict)
    odd: frozenset[str] = frozenset()
    dark: dict[str, list[str]] = field(default_factory=dict)
    above: float = field(default=-inf, init=False)
    turned: dict[Point, tuple[float, float]] = field(default_factory=dict, init=False)
    lifts: bool | None = field(default=None, init=False)

    def __post_init__(self) -> None:
        """A scene of another rig has other facts."""
        if self.facts.rig is not self.rig:
            self.facts = Facts(self.rig)

    @property
    def units(self) -> str:
        """What lengths and pressures are shown in."""
        return self.rig.rig.units

    def stack(self, name: str) -> StackPicture:
        """The stack of that name."""
        for stack in self.picture.stacks:
            if stack.name == name:
                return stack
        raise KeyError(name)

    def bag(self, name: str) -> BagPicture:
        """The bag of that name."""
        for stack in self.picture.stacks:
            for bag in stack.bags:
                if bag.name == name:
                    return bag
        raise KeyError(name)

    def shore(self, name: str) -> ShorePicture:
        """The shore of that name."""
        for shore in self.picture.shores:
            if shore.name == name:
                return shore
        raise KeyError(name)

    def sensor(self, name: str) -> SensorPicture:
        """The channel of that name."""
        for sensor in self.picture.sensors:
            if sensor.name == name:
                return sensor
        raise KeyError(name)

    def port(self, name: str) -> PortPicture:
        """The port of that name."""
        for port in self.picture.ports:
            if port.name == name:
                return port
        raise KeyError(name)

    def lifting(self) -> bool:
        """Whether a bag takes air or the load goes up."""
        if self.lifts is None:
            self.lifts = self._lifting()
        return self.lifts

    def _lifting(self) -> bool:
        for stack in self.picture.stacks:
            for bag in stack.bags:
                if bag.doing == "filling":
                    return True
        rate, sd = self.picture.load.rate_m_s, self.picture.load.rate_sd_m_s
        return rate is not None and sd is not None and rate > max(0.001, 2.0 * sd)

    def no_pose(self) -> Unknown:
        """Why the pose is not known."""
        if self.picture.zero.taken_ns is None:
            return Unknown("no zero taken yet")
        return Unknown(f"rise and tilt not known without {_names(self.pose_missing)}", self.pose_missing)


WORKS = {"fill": "filling", "lower": "venting", "vent": "venting"}
"""What the bag that a step names does in it."""


def bag_order(scene: Scene, bag: str) -> Outcome:
    """A bag is filled that is not the one the step names, and is not merely the next one begun too early.

    On the way down the same of a bag that is vented: which bag comes out first matters as much as which goes in first.
    """
    step = scene.step
    if step is None or step.do not in WORKS or step.bag is None or step.bag == bag:
        return None
    doing = scene.bag(bag).doing
    if doing == "unknown":
        return Unknown(f"pressure in {bag} not known", (scene.facts.gauges[bag],))
    works = WORKS[step.do]
    if doing != works and scene.above >= 0.0:
        return None
    wrong = doing == works and not _excused(scene, bag) and not _early(scene, bag)
    key = "filled" if works == "filling" else "vented"
    return Measured(float(wrong) * 2.0, lambda: f"{works}, the step names {step.bag}", {"named": step.bag, key: bag})


def bag_early(scene: Scene, bag: str) -> Outcome:
    """The next bag of the plan is filled (vented) while the one before it, begun already, is short of its stop."""
    if scene.step is None or scene.step.do not in WORKS or scene.step.bag == bag:
        return None
    doing = scene.bag(bag).doing
    if doing == "unknown":
        return Unknown(f"pressure in {bag} not known", (scene.facts.gauges[bag],))
    works = WORKS[scene.step.do]
    if doing != works and scene.above >= 0.0:
        return None
    early = doing == works and not _excused(scene, bag) and _early(scene, bag)
    now, named = scene.picture.step, scene.step.bag
    progress = now.progress if now else None
    return Measured(
        float(early) * 2.0,
        lambda: f"{works}, {named} short of its stop",
        {"before": named, "progress": progress},
    )


def no_air(scene: Scene) -> bool:
    """Whether the open bags say that nobody lets air in or out, though the load moves."""
    return scene.moved is not None and scene.moved.alone is True and scene.moved.by_air


def _excused(scene: Scene, bag: str) -> bool:
    """Whether what a bag does is none of the crew's doing, or was begun before; or it is emptied where its stack is down."""
    down = scene.step is not None and scene.step.do != "fill" and is_down(scene, bag)
    return bag in scene.carried_over or down or no_air(scene)


def is_down(scene: Scene, bag: str) -> bool:
    """Whether the load is known to lie where it lay at the stack of a bag."""
    rise = next(stack.rise_m for stack in scene.picture.stacks if any(it.name == bag for it in stack.bags))
    return rise is not None and rise < RISEN_M


def _early(scene: Scene, bag: str) -> bool:
    lets_down = scene.step is not None and scene.step.do != "fill"
    following = scene.next_vent if lets_down else scene.next_fill
    return (
        following is not None
        and following.bag == bag
        and scene.step is not None
        and scene.step.bag in scene.begun
        and not (scene.picture.step is not None and scene.picture.step.done)
    )


def uncaptured(scene: Scene, _: str) -> Outcome:
    """Rise since the load was last captured, against what the plan allows."""
    rise = scene.picture.uncaptured_m
    if rise is None:
        return scene.no_pose()
    limit = scene.facts.limits.capture_every
    share = rise / limit
    if share <= scene.above:
        return None
    return Measured(
        share,
        lambda: f"{show.length(rise, scene.units)}, {show.length(limit, scene.units)} allowed",
        {"rise_m": rise, "limit_m": limit},
    )


def shore_behind(scene: Scene, name: str) -> Outcome:
    """The gap at a shore, against its allowance."""
    shore = scene.shore(name)
    if shore.gap_m is None:
        extension = scene.facts.shores[name].extension
        if scene.pose is None:
            return scene.no_pose()
        return Unknown(f"gap at {name} not known without {extension}", (extension,))
    share = shore.gap_m / shore.gap_allowed_m
    if share <= scene.above:
        return None
    return Measured(
        share,
        lambda: f"{show.length(shore.gap_m, scene.units)} gap, {show.length(shore.gap_allowed_m, scene.units)} allowed",
        {"gap_m": shore.gap_m, "limit_m": shore.gap_allowed_m},
    )


def shore_air_low(scene: Scene, name: str) -> Outcome:
    """How far a shore's air is below its follow pressure (as a share of it) while lifting."""
    gauge, shore = scene.facts.shores[name].pressure, scene.shore(name)
    if gauge is None or shore.doing == "released" or not scene.lifting():
        return None
    if shore.air_pa is None:
        return Unknown(f"air at {name} not known", (gauge,))
    share = 1.0 - shore.air_pa / shore.follow_pa
    if share <= scene.above:
        return None
    return Measured(
        share,
        lambda: (
            f"{show.pressure(shore.air_pa, scene.units)}, needs {show.pressure(shore.follow_pa, scene.units)} to follow"
        ),
        {"air_pa": shore.air_pa, "limit_pa": shore.follow_pa},
    )


def lean(scene: Scene, name: str) -> Outcome:
    """Use of the footprint cone: how far the head stands from the foot's centre, against the ring."""
    return _lean(scene, name, 0.0)


def lean_with_bound(scene: Scene, name: str) -> Outcome:
    """Use of the footprint cone as lean has it, with what the estimate may be off by."""
    return _lean(scene, name, BOUND_SDS)


def _lean(scene: Scene, name: str, sds: float) -> Outcome:
    stack = scene.stack(name)
    leans, sd = stack.lean_m, stack.lean_sd_m
    if leans is None or sd is None:
        missing = scene.lean_missing[name]
        return Unknown(f"lean not known without {_names(missing)}", missing) if missing else scene.no_pose()
    head_ring = scene.facts.head_rings[name]  # its whole ring must stay inside
    share = (leans + head_ring + sds * sd) / stack.ring_m
    if share <= scene.above:
        return None

    def says() -> str:
        growing = stack.lean_rate_m_s or 0.0
        trend = f", growing {show.speed(growing, scene.units)}" if growing > 0.0005 else ""
        ring = show.length(stack.ring_m - head_ring, scene.units)
        return f"{show.length(leans, scene.units)} of {ring} ring{trend}"

    return Measured(
        share,
        says,
        {"offset_m": leans, "limit_m": stack.ring_m - head_ring, "bound_m": sds * sd},
    )


def bag_pressure(scene: Scene, name: str) -> Outcome:
    """A bag's pressure, counting what its gauge's calibration leaves uncertain, against its working pressure."""
    bag = scene.bag(name)
    pressure = bag.pressure_pa
    if pressure is None:
        return Unknown(f"pressure in {name} not known", (scene.facts.gauges[name],))
    sd = scene.sensor(scene.facts.gauges[name]).calibration_sd or 0.0
    most = pressure + BOUND_SDS * sd
    share = most / bag.working_pa
    if share <= scene.above:
        return None

    def says() -> str:
        limit, near = show.pressure(bag.working_pa, scene.units), pressure < bag.working_pa <= most
        if near:
            return f"up to {show.pressure(most, scene.units)} of {limit}"
        return f"{show.pressure(pressure, scene.units)} of {limit} working"

    return Measured(
        share,
        says,
        {"pressure_pa": pressure, "limit_pa": bag.working_pa},
    )


def rise_rate(scene: Scene, _: str) -> Outcome:
    """How fast the load goes up or down, against the plan's limit."""
    rate, limit = scene.picture.load.rate_m_s, scene.facts.limits.rise_rate
    if rate is None:
        return scene.no_pose()
    share = abs(rate) / limit
    if share <= scene.above:
        return None
    way = "up" if rate > 0.0 else "down"
    return Measured(
        share,
        lambda: f"{show.speed(abs(rate), scene.units)} {way}, {show.speed(limit, scene.units)} allowed",
        {"rate_m_s": rate, "limit_m_s": limit},
    )


def _names(channels: tuple[str, ...]) -> str:
    shown = ", ".join(channels[:2])
    return shown + (f" and {len(channels) - 2} more" if len(channels) > 2 else "") if channels else "its sensors"
