"""The plan, step by step: which is being worked, how far to its stop, when it is done.

A step is ended by `next` (a person, or the hand that stands in where there is no screen); only `hold` ends by itself
when its time is up. The sequence says when a stop is reached; it never decides that people may go on.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor import quantities
from monitor.engine.picture import NowPicture, ShorePicture, StackPicture, StepPicture
from monitor.engine.shores import captured
from monitor.rig.schema import Rig, Step

_REACHED_M = 0.001
"""A rise stop counts as reached within this: what a tape tells (common practice, no source)."""
_REACHED_SHARE = 0.01
"""A pressure stop counts as reached within this share."""
_LOWERS = ("lower", "vent")
"""What a step is called that lets the load down."""
_FOLLOWS = 0.9
"""Share of its follow pressure from which a shore follows: the limit of the rule shore-air-low."""
_OUT_PITCHES = 2.0
"""A shore that has come out by no more of its lock pitches holds nothing up that has to be walked down."""
_CARRY_OVER_NS = 5_000_000_000
"""A stack that was already going up when a step began may take this long to be stopped."""
_RESTING: dict[str, frozenset[str]] = {"filling": frozenset(), "venting": frozenset()}


@dataclass(slots=True)
class _Run:
    """How one step of the plan went."""

    started_ns: int | None = None
    ended_ns: int | None = None
    ok: bool | None = None


@dataclass(slots=True)
class _Fill:
    """Which bags have taken air (in a step that lowers: let it out) since the step began, and those of stacks that were
    doing so when it did.

    All bags of such a stack: which of them took the air may only come out a moment later.
    """

    begun: frozenset[str] = frozenset()
    carried_over: frozenset[str] = frozenset()


class Sequence:
    """The plan of a rig, followed from tick to tick."""

    def __init__(self, rig: Rig) -> None:
        self._units = rig.rig.units
        self.steps = rig.step
        self._runs = [_Run() for _ in rig.step]
        self.index: int | None = None
        self._step: Step | None = None
        """The step at `index`."""
        self.done = False
        self._from_m: float | None = None
        self._from_pa: float | None = None
        self._fill = _Fill()
        self._doing: dict[str, frozenset[str]] = _RESTING
        self._left: int | None = None
        self._bags = [frozenset(bag.name for bag in stack.bag) for stack in rig.stack]
        self._pitches = {shore.name: shore.lock_pitch for shore in rig.shore}
        self._next_fill = _next_of([it.do == "fill" for it in rig.step], rig.step)
        self._next_vent = _next_of([it.do in _LOWERS and it.bag is not None for it in rig.step], rig.step)
        self._heads = [stack.name for stack in rig.stack]
        self._stops = [self._stop(step) for step in rig.step]
        self._pictures: tuple[StepPicture, ...] | None = None
        """What `pictures` says, until another step is entered."""

    @property
    def step(self) -> Step | None:
        """The step being worked, or None before the zero and after the last."""
        return self._step

    @property
    def carried_over(self) -> frozenset[str]:
        """Bags of stacks that were being filled (or vented, as this step does) when it began and have not been shut since."""
        return self._fill.carried_over

    @property
    def begun(self) -> frozenset[str]:
        """Bags that have taken air since this step began; let it out, in a step that lowers."""
        return self._fill.begun

    def next_fill(self) -> Step | None:
        """The fill step after this one."""
        return None if self.index is None else self._next_fill[self.index]

    def next_vent(self) -> Step | None:
        """The next step that lets a named bag down."""
        return None if self.index is None else self._next_vent[self.index]

    @property
    def lowering(self) -> int | None:
        """The number of the step being worked if it lets the load down, else None."""
        return self.index + 1 if self.index is not None and self.steps[self.index].do in _LOWERS else None

    @property
    def abandoned(self) -> bool:
        """Whether a person has given the plan up, and not taken it up again."""
        return self._left is not None

    def abandon(self, now_ns: int) -> str:
        """Give the plan up; what needs no plan is watched on. Returns what was done, in words, or ""."""
        if self.index is None:
            return ""
        left, run = self.index, self._runs[self.index]
        run.ended_ns, run.ok = now_ns, False
        self._enter(None, now_ns)
        self._left = left
        return f"plan abandoned in step {left + 1}: all else is watched on, back takes it up again"

    def start(self, now_ns: int) -> None:
        """Begin the plan from its first step; how an earlier try went is forgotten."""
        self._runs = [_Run() for _ in self.steps]
        self._enter(0 if self.steps else None, now_ns)

    def forward(self, now_ns: int) -> str:
        """End this step and begin the next. Returns what was done, in words."""
        if self.index is None:
            return ""
        run = self._runs[self.index]
        run.ended_ns, run.ok = now_ns, self.done or self.step_needs_a_person()
        ended = self.index + 1
        self._enter(self.index + 1 if self.index + 1 < len(self.steps) else None, now_ns)
        return f"step {ended} ended" + ("" if self.index is None else f", step {self.index + 1} begun")

    def backward(self, now_ns: int) -> str:
        """Leave this step and take up the one before it again. Returns what was done, in words, or ""."""
        if self._left is not None:
            self._enter(self._left, now_ns)
        elif self.index is None:
            last = len(self.steps) - 1
            if not self.steps or self._runs[last].started_ns is None:
                return ""
            self._enter(last, now_ns)
        elif self.index == 0:
            return ""
        else:
            self._runs[self.index] = _Run()
            self._enter(self.index - 1, now_ns)
        return f"back to step {(self.index or 0) + 1}"

    def _enter(self, index: int | None, now_ns: int) -> None:
        self.index, self.done, self._left, self._pictures = index, False, None, None
        self._step = None if index is None else self.steps[index]
        self._from_m = self._from_pa = None
        moving = self._doing[self._works()]
        self._fill = _Fill(carried_over=frozenset(bag for bags in self._bags for bag in bags if moving & bags))
        if index is not None:
            self._runs[index] = _Run(started_ns=now_ns)

    def _works(self) -> str:
        """What the bag of this step does: filling, or venting where it lets the load down."""
        return "venting" if self.step is not None and self.step.do in _LOWERS else "filling"

    def step_needs_a_person(self) -> bool:
        """Whether this step has no stop that a sensor could see."""
        step = self.step
        return step is not None and (step.do in ("work", "check") or (step.do == "vent" and step.until is None))

    def tick(
        self, now_ns: int, stacks: tuple[StackPicture, ...], shores: tuple[ShorePicture, ...], cribbed_ns: int | None
    ) -> NowPicture | None:
        """Where this step stands. `cribbed_ns`: when cribbing was last marked as packed."""
        self._follow_bags(now_ns, stacks)
        step = self.step
        if step is not None and step.do == "hold" and self._held(now_ns) >= (step.for_ or 0.0):
            self.done = True
            self.forward(now_ns)
            step = self.step
        if self.index is None or step is None:
            return None
        progress, left, self.done = self._progress(step, now_ns, stacks, shores, cribbed_ns)
        return NowPicture(self.index + 1, progress, left, self.done)

    def _follow_bags(self, now_ns: int, stacks: tuple[StackPicture, ...]) -> None:
        filling, venting = [], []
        for stack in stacks:
            for bag in stack.bags:
                if bag.doing == "filling":
                    filling.append(bag.name)
                elif bag.doing == "venting":
                    venting.append(bag.name)
        if not filling and not venting and not self._fill.carried_over:
            self._doing = _RESTING
            return
        self._doing = {"filling": frozenset(filling), "venting": frozenset(venting)}
        moving, fill = self._doing[self._works()], self._fill
        if fill.carried_over:
            for bags in self._bags:
                if not moving & bags:
                    fill.carried_over -= bags
            started = self._started_ns()
            if started is None or now_ns - started > _CARRY_OVER_NS:
                fill.carried_over = frozenset()
        if moving:
            fill.begun |= moving - fill.carried_over

    def _started_ns(self) -> int | None:
        return None if self.index is None else self._runs[self.index].started_ns

    def _held(self, now_ns: int) -> float:
        started = self._started_ns()
        return 0.0 if started is None else (now_ns - started) * 1e-9

    def _progress(
        self,
        step: Step,
        now_ns: int,
        stacks: tuple[StackPicture, ...],
        shores: tuple[ShorePicture, ...],
        cribbed_ns: int | None,
    ) -> tuple[float | None, str, bool]:
        """(share done or None, what is left in words, whether the stop is reached)."""
        if step.do == "hold":
            left = max(0.0, (step.for_ or 0.0) - self._held(now_ns))
            return (1.0 - left / step.for_ if step.for_ else 1.0), f"{left:.0f} s to go", False
        if step.do == "capture":
            return self._capture(shores, cribbed_ns)
        if step.do in ("fill", *_LOWERS):
            share, words, done = self._to_stop(step, stacks)
            hint = self._lowering_hint(step, done, stacks, shores) if step.do in _LOWERS else ""
            return share, hint or words, done
        return None, "until you press next", False

    def _to_stop(self, step: Step, stacks: tuple[StackPicture, ...]) -> tuple[float | None, str, bool]:
        if step.until is None and step.do == "fill":
            return None, "until you press next", False
        if step.until is None:
            return self._to_empty(step, stacks)
        rise, pressure = self._to_rise(step, stacks), self._to_pressure(step, stacks)
        if rise is None or pressure is None:
            return rise or pressure or (None, "not known how far", False)
        return rise if (rise[2], rise[0]) >= (pressure[2], pressure[0]) else pressure

    def _to_empty(self, step: Step, stacks: tuple[StackPicture, ...]) -> tuple[float | None, str, bool]:
        """A bag is vented for good: how much air is left in it. It waits for a person all the same."""
        bag = next((b for s in stacks for b in s.bags if b.name == step.bag), None)
        if bag is None or bag.pressure_pa is None:
            return None, "until you press next", False
        if bag.doing == "resting":
            return None, f"{bag.name} is empty: press next", False
        return None, f"{quantities.pressure(max(bag.pressure_pa, 0.0), self._units)} left in it", False

    def _lowering_hint(
        self, step: Step, done: bool, stacks: tuple[StackPicture, ...], shores: tuple[ShorePicture, ...]
    ) -> str:
        """The next thing to do on the way down where that is not simply to vent on, else ""."""
        up = [s for s in shores if s.extension_m is not None and s.extension_m > _OUT_PITCHES * self._pitches[s.name]]
        if done:
            held = [s.name for s in shores if s.told_released]
            return f"at its stop: lock {_few(held)}" if held else ""
        walking = any(s.doing == "released" and not s.told_released for s in up)
        if not up or walking or (step.do == "vent" and step.until is None):
            return ""
        thirsty = [s for s in up if s.air_pa is not None and s.air_pa < _FOLLOWS * s.follow_pa]
        if thirsty:
            return (
                f"air to {quantities.pressure(thirsty[0].follow_pa, self._units)} in {_few([s.name for s in thirsty])}"
            )
        short = [s for s in up if s.gap_m is not None and (s.touch_m or 0.0) < self._pitches[s.name]]
        if short:
            least = quantities.length(max(self._pitches[s.name] for s in short), self._units)
            return f"release shores, raise a touch: {least}"
        venting = any(bag.doing == "venting" for stack in stacks for bag in stack.bags)
        return "" if venting else "locks free: hold release, vent, walk down"

    def _capture(self, shores: tuple[ShorePicture, ...], cribbed_ns: int | None) -> tuple[float | None, str, bool]:
        started = self._started_ns()
        if cribbed_ns is not None and started is not None and cribbed_ns >= started:
            return 1.0, "cribbing packed", True
        if not shores:
            return 0.0, "pack cribbing and mark it", False
        behind = [s for s in shores if s.gap_m is None or s.gap_m > s.gap_allowed_m or s.doing == "released"]
        left = "every shore follows" if not behind else f"{', '.join(s.name for s in behind)} behind"
        return 1.0 - len(behind) / len(shores), left, captured(shores)

    def _to_rise(self, step: Step, stacks: tuple[StackPicture, ...]) -> tuple[float, str, bool] | None:
        until = step.until
        if until is None or until.rise is None:
            return None
        top, at, rise = until.rise, until.at or self._heads[0], None
        for stack in stacks:
            if stack.name == at:
                rise = stack.rise_m
        if rise is None:
            return None
        if self._from_m is None:
            self._from_m = rise
        sign = 1.0 if step.do == "fill" else -1.0
        left = sign * (top - rise)
        words = f"{quantities.length(max(left, 0.0), self._units)} to go"
        return _share(left, sign * (top - self._from_m)), words, left <= _REACHED_M

    def _to_pressure(self, step: Step, stacks: tuple[StackPicture, ...]) -> tuple[float, str, bool] | None:
        until = step.until
        if until is None or until.pressure is None or step.bag is None:
            return None
        bag = next((b for s in stacks for b in s.bags if b.name == step.bag), None)
        if bag is None or bag.pressure_pa is None:
            return None
        if self._from_pa is None:
            self._from_pa = 0.0 if step.do == "fill" else bag.pressure_pa
        sign = 1.0 if step.do == "fill" else -1.0
        left = sign * (until.pressure - bag.pressure_pa)
        words = f"{quantities.pressure(max(left, 0.0), self._units)} to go"
        share = _share(left, sign * (until.pressure - self._from_pa))
        return share, words, left <= _REACHED_SHARE * until.pressure

    def pictures(self) -> tuple[StepPicture, ...]:
        """Every step of the plan and how it went so far."""
        if self._pictures is None:
            self._pictures = tuple(
                StepPicture(i + 1, step.do, step.bag, stop, run.started_ns, run.ended_ns, run.ok)
                for i, (step, stop, run) in enumerate(zip(self.steps, self._stops, self._runs, strict=True))
            )
        return self._pictures

    def _stop(self, step: Step) -> str:
        """Where a step stops, in words."""
        if step.do == "hold":
            return f"for {step.for_ or 0.0:.0f} s"
        if step.do == "capture":
            return "every shore follows"
        parts = []
        if step.until is not None and step.until.rise is not None:
            at = step.until.at or self._heads[0]
            parts.append(f"rise {quantities.length(step.until.rise, self._units)} at {at}")
        if step.until is not None and step.until.pressure is not None:
            parts.append(f"{quantities.pressure(step.until.pressure, self._units)} in {step.bag}")
        return " or ".join(parts) or "until you press next"


def _next_of(kind: list[bool], steps: list[Step]) -> list[Step | None]:
    """Of each step, the first after it that is of a kind."""
    return [next((steps[i] for i in range(now + 1, len(steps)) if kind[i]), None) for now in range(len(steps))]


def _share(left: float, whole: float) -> float:
    """The share of a way that is done, 0 to 1; a way that began at its end or beyond is done."""
    return 1.0 if whole <= 0.0 else min(1.0, max(0.0, 1.0 - left / whole))


def _few(names: list[str]) -> str:
    return ", ".join(names[:2]) + (f" and {len(names) - 2} more" if len(names) > 2 else "")
