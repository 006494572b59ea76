"""What is coming: lean and lift that will not last for the rise still planned, bags that take air and do not lift, a
load that sinks at hold, stacks that part.

Conditions like those of conditions.py; they look at trends and at the plan, and give time to act.
"""

from __future__ import annotations

from itertools import combinations
from math import hypot

from monitor import quantities as show
from monitor.engine.conditions import Measured, Outcome, Scene, Suppressed, Unknown
from monitor.engine.picture import Point
from monitor.rig.capacity import AreaTable
from monitor.rig.schema import Rig, Stack

_STILL_M_S = 0.0005
"""A stack head slower than this does not follow its bag (invented)."""
_TAKES = 5_000.0
"""Pa/s: a bag whose pressure grows faster takes air."""
_PUSHES = 1.15
"""Times the pressure that would carry its load: a bag so full and no higher does not lift (invented)."""
_SINKS_M_S, _LOSES_PA_S = 0.05e-3, 10.0
"""From where the estimator speaks of sinking and of loss (common practice, no source)."""
_APART_M = 0.025
"""How far two stacks of one lift may part: as far as a load may go uncaptured (common practice, no source)."""


def lean_ahead(scene: Scene, name: str) -> Outcome:
    """At the present trend the head leaves the footprint cone within the rise still planned, or the bags' own reach."""
    stack, config = scene.stack(name), _config(scene.rig, name)
    if stack.lean_m is None or stack.rise_m is None:
        missing = scene.lean_missing[name]
        return Unknown("lean not known", missing) if missing else scene.no_pose()
    target = rise_to_come(scene, config)
    if target is None:
        target = sum(bag.capacity[-1][0] - bag.capacity[0][0] for bag in config.bag)
    at = stack.lean_at_rise_m
    left = target - stack.rise_m
    if at is None or left <= 0.0:
        return Measured(0.0, "", {"at_rise_m": at, "planned_m": target})
    return Measured(
        2.0 if at <= target else 0.5,
        f"out at {show.length(at, scene.units)} rise, {show.length(target, scene.units)} to come",
        {"at_rise_m": at, "planned_m": target},
    )


def reach(scene: Scene, name: str) -> Outcome:
    """The stack runs out of lift before the greatest rise still planned."""
    stack, config = scene.stack(name), _config(scene.rig, name)
    target = rise_to_come(scene, config)
    if target is None or stack.reach_m is None:
        return None
    needs = config.height_at_zero + target
    return Measured(
        needs / stack.reach_m,
        f"lifts to {show.length(stack.reach_m, scene.units)}, {show.length(needs, scene.units)} planned",
        {"reach_m": stack.reach_m, "limit_m": needs},
    )


def uneven(scene: Scene, _: str) -> Outcome:
    """The two stacks that part most, less what turning about the planned hinge explains."""
    if len(scene.rig.stack) < 2:
        return None
    if scene.pose is None:
        return scene.no_pose()
    parted = {(a.name, b.name): abs(_parted(scene, a, b)) for a, b in combinations(scene.rig.stack, 2)}
    pair = max(parted, key=parted.__getitem__)
    far, limit = show.length(parted[pair], scene.units), show.length(_APART_M, scene.units)
    return Measured(
        parted[pair] / _APART_M,
        f"{far} apart, {limit} allowed",
        {"apart_m": parted[pair], "limit_m": _APART_M, "between": " ".join(pair)},
    )


def no_lift(scene: Scene, bag: str) -> Outcome:
    """A bag takes air beyond what its load needs and its stack does not rise."""
    it = scene.bag(bag)
    stack = next(s for s in scene.picture.stacks if any(b.name == bag for b in s.bags))
    if it.pressure_pa is None or it.rate_pa_s is None:
        return Unknown(
            f"pressure in {bag} not known",
            tuple(b.pressure for b in _config(scene.rig, stack.name).bag if b.name == bag),
        )
    if scene.pose is None:
        return scene.no_pose()
    if stack.force_n is None or it.height_m is None:
        return None
    table = AreaTable(next(b for b in _config(scene.rig, stack.name).bag if b.name == bag))
    needed = stack.force_n / table.area(it.height_m)
    rate = scene.pose.rate(*stack.at)
    stuck = it.rate_pa_s > _TAKES and rate < _STILL_M_S
    named = scene.step.bag if scene.step is not None and scene.step.do == "fill" else None
    instead = f" instead of {named}" if named not in (None, bag) else ""
    return Measured(
        it.pressure_pa / (_PUSHES * needed) if stuck else 0.0,
        f"{show.pressure(it.pressure_pa, scene.units)}{instead}, no rise",
        {"pressure_pa": it.pressure_pa, "needed_pa": needed, "rate_m_s": rate, "named": named},
    )


def sinking(scene: Scene, name: str) -> Outcome:
    """At hold the head sinks, or a bag whose height is fixed loses air. By design not said in a step that lets the load down."""
    stack = scene.stack(name)
    if scene.step is not None and scene.step.do in ("lower", "vent"):
        return Suppressed("the step lets it down")
    if stack.rise_m is None:
        return scene.no_pose()
    if stack.sink_m_s is not None:
        return Measured(
            max(1.2, stack.sink_m_s / _SINKS_M_S),
            f"sinks {show.length(60.0 * stack.sink_m_s, scene.units)} a minute",
            {"sink_m_s": stack.sink_m_s, "limit_m_s": _SINKS_M_S},
        )
    losses = {bag.name: bag.loss_pa_s for bag in stack.bags if bag.loss_pa_s is not None}
    if not losses:
        return Measured(0.0, "", {})
    worst = max(losses, key=losses.__getitem__)
    return Measured(
        max(1.2, losses[worst] / _LOSES_PA_S),
        f"{worst} loses {show.pressure(60.0 * losses[worst], scene.units)} a minute",
        {"bag": worst, "loss_pa_s": losses[worst], "limit_pa_s": _LOSES_PA_S},
    )


def rise_to_come(scene: Scene, stack: Stack) -> float | None:
    """The greatest rise (m) at a stack's head that the steps still to come plan; None where they plan none."""
    now = scene.picture.step
    if now is None:
        return None
    first = scene.rig.stack[0].name
    return max(
        (
            step.until.rise
            for step in scene.rig.step[now.number - 1 :]
            if step.do == "fill" and step.until and step.until.rise is not None
            if (step.until.at or first) == stack.name
        ),
        default=None,
    )


def _parted(scene: Scene, a: Stack, b: Stack) -> float:
    """How much higher (m) a has risen than b's rise says."""
    rises = scene.stack(a.name).rise_m or 0.0, scene.stack(b.name).rise_m or 0.0
    hinge = scene.rig.load.hinge
    if hinge is None:
        return rises[0] - rises[1]
    arms = abs(_arm(hinge, a.at)), abs(_arm(hinge, b.at))
    return rises[0] - rises[1] * arms[0] / arms[1]


def _arm(hinge: tuple[Point, Point], at: Point) -> float:
    (x0, y0), (x1, y1) = hinge
    return ((at[0] - x0) * (y0 - y1) + (at[1] - y0) * (x1 - x0)) / hypot(x1 - x0, y1 - y0)


def _config(rig: Rig, name: str) -> Stack:
    return next(it for it in rig.stack if it.name == name)
