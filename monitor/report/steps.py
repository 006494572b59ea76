"""The plan against what was done: each step of the rig file, when it was begun and ended, and where it came to. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.engine.picture import Picture
from monitor.rig.profile import stop_stack
from monitor.rig.schema import Rig, Step


@dataclass(slots=True)
class Done:
    """One step. `begun` (ns): every time it was; `ended_ns`: when it was ended last, None if not. `ok`: as planned.

    `rise_m`, `bound_m`, `pressures_pa`: at its stop's stack and in each bag when it was ended, or at the end of the recording.
    """

    number: int
    step: Step
    begun: list[int] = field(default_factory=list)
    ended_ns: int | None = None
    ok: bool | None = None
    left: bool = False
    """It was begun and left again without an end: gone back from, or given up."""
    rise_m: float | None = None
    bound_m: float | None = None
    pressures_pa: dict[str, float | None] = field(default_factory=dict)

    @property
    def took_s(self) -> float | None:
        """From its last beginning to its end (s); None where it has none."""
        if not self.begun or self.ended_ns is None:
            return None
        return (self.ended_ns - self.begun[-1]) * 1e-9


class Steps:
    """Follows the plan from picture to picture."""

    def __init__(self, rig: Rig) -> None:
        self._done = [Done(number, step) for number, step in enumerate(rig.step, 1)]
        self._stacks = [stop_stack(rig, step).name for step in rig.step]

    def picture(self, picture: Picture) -> None:
        """Take the next picture."""
        now = picture.step.number if picture.step is not None and picture.zero.taken_ns is not None else None
        for it, shown, stack in zip(self._done, picture.steps, self._stacks, strict=False):
            if shown.started_ns is not None and (not it.begun or it.begun[-1] != shown.started_ns):
                it.begun.append(shown.started_ns)
            just_ended = shown.ended_ns is not None and shown.ended_ns != it.ended_ns
            if it.number == now or just_ended:
                self._reach(it, picture, stack)
            it.ended_ns, it.ok = shown.ended_ns, shown.ok
            it.left = bool(it.begun) and it.ended_ns is None and it.number != now

    def all(self) -> list[Done]:
        """Every step of the plan, in order."""
        return self._done

    def _reach(self, it: Done, picture: Picture, stack: str) -> None:
        it.bound_m = picture.load.bound_m
        for shown in picture.stacks:
            if shown.name == stack:
                it.rise_m = shown.rise_m
            it.pressures_pa |= {bag.name: bag.pressure_pa for bag in shown.bags}
