"""The picture: everything the engine knows at one tick, finished and immutable.

Screens, JSON output, the second screen's link and reports read this and nothing else. All values are SI; None means
*not known* and is never shown as zero. A field that ends in `_sd` is one standard deviation.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, StrEnum

from drivers.quick import quick
from drivers.reading import CONNECTED

Point = tuple[float, float]


class Priority(IntEnum):
    """Signal words of ANSI Z535 / ISO 3864, the gravest highest."""

    NOTICE = 1
    CAUTION = 2
    WARNING = 3
    DANGER = 4

    @property
    def word(self) -> str:
        """The word as it is written in JSON and in the rules: "danger"."""
        return self.name.lower()


class AlarmState(StrEnum):
    """The life of an alarm after ANSI/ISA-18.2 and IEC 62682."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned-unacknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed"
    OUT_OF_SERVICE = "out-of-service"


class SensorStatus(StrEnum):
    """Words of NAMUR NE 107, and two for silence."""

    OK = "ok"
    FAILED = "failed"
    CHECK = "check"
    OUT_OF_RANGE = "out-of-range"
    MAINTENANCE = "maintenance"
    STALE = "stale"
    NEVER_SEEN = "never-seen"


@quick
@dataclass(frozen=True, slots=True)
class LoadPicture:
    """Where the load is, since the zero. `rise_m` is the greatest rise at a stack head, `rate_m_s` its rate there.

    `tilt_x_rad` and `tilt_y_rad` are positive when the + end of the load's x or y axis has gone up. `bound_m` is how far
    the rise may be off, one sensor lying unseen included; None where such a lie would not be seen at all. `z_m`, `a`,
    `b` are the pose itself: the rise of the load-fixed point (x, y) is z + a*x + b*y.
    """

    rise_m: float | None
    rise_sd_m: float | None
    rate_m_s: float | None
    rate_sd_m_s: float | None
    tilt_x_rad: float | None
    tilt_y_rad: float | None
    tilt_sd_rad: float | None
    bound_m: float | None
    z_m: float | None
    a: float | None
    b: float | None


@quick
@dataclass(frozen=True, slots=True)
class HingePicture:
    """Where the load turns: the line of no rise in its underside, by its distance from the load's origin, that distance's
    standard deviation, and its direction (rad from +x, in [-45, 135) degrees). `free`: it rises without turning.

    `shift_m`: how far the load has risen at the hinge beyond what was learned there, `shift_limit_m` from where on that is
    no chance; `walk_m` the same as a walk along the underside, toward the lifted side positive."""

    distance_m: float | None
    direction_rad: float | None
    sd_m: float | None
    free: bool | None
    shift_m: float | None = None
    shift_limit_m: float | None = None
    walk_m: float | None = None
    line: tuple[Point, Point] | None = None
    """The line that is watched: the plan's, or the one that was found."""


@quick
@dataclass(frozen=True, slots=True)
class BalancePicture:
    """What the bags' forces say of the load. `moment_nm`: of its weight about the hinge, as it lies now. `tip_rad`: the angle
    from how it lay at the zero at which it goes over centre. `cg_m`: load frame. None until known to a useful error."""

    weight_n: float | None = None
    weight_sd_n: float | None = None
    cg_m: tuple[float | None, float | None, float | None] | None = None
    moment_nm: float | None = None
    tip_rad: float | None = None
    tip_sd_rad: float | None = None
    tip_least_rad: float | None = None
    """The least it may be by all that forces have ever said, errors counted; kept when the hinge has walked since."""
    short_nm: float | None = None
    """By how much the bags' moment about the hinge falls short of the load's: locked shores and cribbing carry it."""


@quick
@dataclass(frozen=True, slots=True)
class BagPicture:
    """One bag. `use` is pressure over working pressure; `doing` is resting, filling, holding, venting or unknown;
    `needed_pa` the pressure at which it would carry the stack's force at its present height. `loss_pa_s`: how fast it loses
    air while nobody touches it, None unless that is beyond doubt."""

    name: str
    pressure_pa: float | None
    rate_pa_s: float | None
    height_m: float | None
    use: float | None
    needed_pa: float | None
    supply_pa: float
    working_pa: float
    doing: str
    loss_pa_s: float | None
    height_sd_m: float | None = None


@quick
@dataclass(frozen=True, slots=True)
class StackPicture:
    """One stack. Lean is how far the head's centre stands from the foot's, positive toward +x and +y; `lean_use` is
    its length, the head's own ring added where that must stay inside, over the foot's ring. `lean_bound_m` is how far the
    lean may be off, `lean_at_rise_m` the rise at which `lean_use` comes to 1 at the present trend (None while it does not
    grow). `slip_m`: how far the head has gone beyond what the load's motion explains, over about the last second;
    `slipping` whether that is a slide on the load, None where nothing sees the head. `disagree` names the bags whose
    pressures do not fit one force. `force_sd_n` is its error: `force_steady_sd_n` the part that no averaging lessens,
    `force_split_sd_n` the part that changes as the lift goes on. `reach_m` is the total height, ground to load, at which the
    supply can lift no more. `rise_m` is the load's rise at this head. `plates` are the centres (x, y offset, height) from
    foot to head. `acts_at` is where the head stands when its force is weighed (x, y): where it was measured, else where the
    load has carried it, while it has not slipped; None where only the lean can say it.
    `sink_m_s`: how fast the head sinks while nobody fills or vents (down positive), None unless that is beyond doubt."""

    name: str
    at: Point
    ring_m: float
    rise_m: float | None
    force_n: float | None
    height_m: float | None
    reach_m: float | None
    lean_m: float | None
    lean_x_m: float | None
    lean_y_m: float | None
    lean_sd_m: float | None
    lean_use: float | None
    lean_rate_m_s: float | None
    plates: tuple[tuple[float, float, float], ...]
    sink_m_s: float | None
    bags: tuple[BagPicture, ...]
    force_sd_n: float | None = None
    force_steady_sd_n: float | None = None
    force_split_sd_n: float | None = None
    disagree: tuple[str, ...] = ()
    lean_bound_m: float | None = None
    lean_at_rise_m: float | None = None
    slip_m: float | None = None
    slipping: bool | None = None
    acts_at: Point | None = None


@quick
@dataclass(frozen=True, slots=True)
class ShorePicture:
    """One shore. `gap_m` is the load's rise at its head minus its extension, both since the zero. `doing` is
    following, locked, released or unknown. `load_n` is what its load cell feels, pressed positive; `load_most_n` what it
    carries at most, if it alone carried all that the bags are short of by the balance of the load.

    `shortened_m`: how far it is shorter than its longest since it last stood locked; `dropped_m` the part of that which is no
    walking down with a load that bags let down. `touch_m`: how far the load has been raised at its head since a step that
    lowers began, None outside one. `told_released`: a person has said so; `doing` says released also of one that is seen
    walking down."""

    name: str
    at: Point
    gap_m: float | None
    gap_sd_m: float | None
    gap_allowed_m: float
    extension_m: float | None
    air_pa: float | None
    follow_pa: float
    load_n: float | None
    doing: str
    load_most_n: float | None = None
    shortened_m: float | None = None
    dropped_m: float | None = None
    touch_m: float | None = None
    told_released: bool = False


@quick
@dataclass(frozen=True, slots=True)
class SensorPicture:
    """One channel: NE 107 status, age of its last reading, last value in SI (shown, even when it is not believed; None
    while the device or its loop has none), and what the device or its loop says is wrong with it, "" for nothing.
    `gone`: its sender said so, or its broker did for it. `calibration_sd`: one standard uncertainty of the
    value by its calibration, None without one; `beyond_calibration`: the reading lies outside the points it was calibrated at.
    """

    name: str
    quantity: str
    port: str
    status: SensorStatus
    age_s: float | None
    value: float | None
    says: str = ""
    gone: bool = False
    calibration_sd: float | None = None
    beyond_calibration: bool = False


@dataclass(frozen=True, slots=True)
class PortPicture:
    """One port. `up` is None until it has said anything; `since_ns` is since when it has been so."""

    name: str
    up: bool | None
    text: str
    since_ns: int = 0

    @property
    def unwell(self) -> str:
        """What is wrong with a port that is up, "" where nothing is."""
        return self.text if self.up and self.text != CONNECTED else ""


@quick
@dataclass(frozen=True, slots=True)
class StepPicture:
    """One step of the plan. `number` counts from 1; times are ns since the session began, None if not yet.
    `stop` is where the step ends, in words; `ok` whether it ended as planned (None while it has not ended)."""

    number: int
    do: str
    bag: str | None
    stop: str
    started_ns: int | None
    ended_ns: int | None
    ok: bool | None


@quick
@dataclass(frozen=True, slots=True)
class NowPicture:
    """The step being worked: how far to its stop. `progress` is 0..1 or None; `left` says in words what is left;
    `done` is True once its stop is reached and it waits for `next`."""

    number: int
    progress: float | None
    left: str
    done: bool


@dataclass(frozen=True, slots=True)
class ZeroPicture:
    """Whether the zero is taken and, until it is, whether it could be taken now (and if not, why).

    `live_ready`: it could be taken from the channels that are live, leaving out the silent ones.
    """

    taken_ns: int | None
    ready: bool
    why_not: str
    live_ready: bool = False


@quick
@dataclass(frozen=True, slots=True)
class AlarmPicture:
    """One alarm, as it stands. `text` is the whole line, at most 80 columns. Times are ns since the session began.

    `raised_ns` is None where it was taken out of service before it ever sounded. `first`: of the alarms of one cause it was
    the first to rise since all of them were normal. `under`: "rule about" of the standing root of its cause (of its own name
    where the same rule stands at a graver priority); it may be shown folded under that one. `chattering`: it has come and gone
    three times in a minute, and now stays longer before it clears.
    """

    rule: str
    about: str
    priority: Priority
    state: AlarmState
    active: bool
    raised_ns: int | None
    cleared_ns: int | None
    acknowledged_ns: int | None
    text: str
    evidence: tuple[tuple[str, float | str | None], ...]
    first: bool = False
    under: str | None = None
    chattering: bool = False


@dataclass(frozen=True, slots=True)
class Transition:
    """One step in the life of an alarm, at the tick (or action) it happened."""

    time_ns: int
    alarm: AlarmPicture


@dataclass(frozen=True, slots=True)
class Blind:
    """A rule that cannot say anything now: "unknown", and why. Never to be shown as satisfied."""

    rule: str
    about: str
    because: str


@dataclass(frozen=True, slots=True)
class Answer:
    """What the engine said to an action: done, or refused with the reason."""

    time_ns: int
    do: str
    ok: bool
    text: str


@dataclass(frozen=True, slots=True)
class ItemPicture:
    """One item of the checklist, who is to look (None: anyone), and who has ticked it and when (None: it is open)."""

    item: str
    who: str | None
    by: str | None
    ticked_ns: int | None

    @property
    def ticked(self) -> bool:
        """Whether it has been looked at."""
        return self.ticked_ns is not None


@dataclass(frozen=True, slots=True)
class Question:
    """What the monitor cannot tell and a person can: what it is about, in words, and since when it is asked."""

    about: str
    text: str
    since_ns: int


@quick
@dataclass(frozen=True, slots=True)
class Picture:
    """All of it. `alarms` holds every alarm that is not normal, the gravest first; `transitions` those that changed
    since the last picture; `captured_m` the rise at which the load was last captured; `fall_m` the drop at the stack
    heads if the bags fail now; `stop_called` the reason while anyone's STOP stands; `flood` whether more alarms come than a
    person can take in (none is held back); `abandoned` whether a person gave the plan up."""

    time_ns: int
    rig: str
    zero: ZeroPicture
    step: NowPicture | None
    steps: tuple[StepPicture, ...]
    load: LoadPicture
    hinge: HingePicture
    balance: BalancePicture
    stacks: tuple[StackPicture, ...]
    shores: tuple[ShorePicture, ...]
    captured_m: float | None
    uncaptured_m: float | None
    fall_m: float | None
    held_by: tuple[str, ...] | None
    alarms: tuple[AlarmPicture, ...]
    transitions: tuple[Transition, ...]
    blind: tuple[Blind, ...]
    sensors: tuple[SensorPicture, ...]
    ports: tuple[PortPicture, ...]
    stop_called: str | None
    answer: Answer | None
    checklist: tuple[ItemPicture, ...] = ()
    questions: tuple[Question, ...] = ()
    flood: bool = False
    abandoned: bool = False

    def with_alarms(
        self,
        alarms: tuple[AlarmPicture, ...],
        transitions: tuple[Transition, ...],
        blind: tuple[Blind, ...],
        flood: bool,
    ) -> Picture:
        """The same with what the alarms make of it, which were judged by the rest."""
        return Picture(
            self.time_ns,
            self.rig,
            self.zero,
            self.step,
            self.steps,
            self.load,
            self.hinge,
            self.balance,
            self.stacks,
            self.shores,
            self.captured_m,
            self.uncaptured_m,
            self.fall_m,
            self.held_by,
            alarms,
            transitions,
            blind,
            self.sensors,
            self.ports,
            self.stop_called,
            self.answer,
            self.checklist,
            self.questions,
            flood,
            self.abandoned,
        )
