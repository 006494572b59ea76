"""Conditions of the sequence's dangerous half: what holds the load, how it is let down, and whether anybody moves it.

Small pure functions, as in conditions.py. What the load, the bags and the shores did over the last seconds is followed
elsewhere (alone.py, descent.py, shores.py) and only judged here.
"""

from __future__ import annotations

from math import cos, hypot, sin

from monitor import quantities as show
from monitor.engine.alone import LEAST_M, Moved
from monitor.engine.conditions import BOUND_SDS, Evidence, Measured, Outcome, Scene, Suppressed, Unknown, no_air
from monitor.engine.going import hinge_shift
from monitor.engine.picture import ShorePicture

_SLACK = 0.25
"""Share of the bags' push at the start of a venting that may be gone before the load hangs on its shores: plates, gauges that
air flows past, and the load's own lever over a lowering explain less (invented)."""
_LOST = 0.05
"""The same from which a shore that does not walk has begun to carry: gauges and split explain a few per cent (invented)."""
_SLOW_M_S = 0.001
"""A load that comes down faster is being let down."""
_OUT_M = 0.005
"""A load that is up by no more is as good as down: ground and bags take it (invented)."""
_SEATS_M = 0.002
"""What a locked shore may shorten beyond one lock pitch as load comes on it: seating, head and foot (invented)."""
_EXTENSION_SDS = 0.5
"""Smoothing leaves about this much of a reading's noise in a shore's length."""
_AIR_SHARE = 0.5
"""Share of what would lift the load that the shores' air may push with. "Far below": at half, a load that weighs only
half of what was thought still stays where it is (invented)."""
_PUSHING = 1.25
"""Times its follow pressure from which a shore's air may be what lifts: below it only follows (invented)."""
_PUSHING_SHARE = 0.2
"""Share of what would lift the load from which shores may be what lifts it, whatever their follow pressure (invented)."""
_CRIBBED_M = 0.006
"""A fall that is no fall where no shore says what gap is allowed (common practice, no source)."""


def hung_on_shores(scene: Scene, _: str) -> Outcome:
    """Bags vent and the load stays: what their push has lost since the venting began, while it stands on locked shores."""
    descent = scene.descent
    if descent is None or not scene.rig.shore or no_air(scene):
        return None
    if scene.pose is None:
        return scene.no_pose()
    if "cribbing" in (scene.picture.held_by or ()):
        return None
    holding = [shore.name for shore in scene.picture.shores if _holds_up(scene, shore)]
    rate = scene.picture.load.rate_m_s
    if not holding or (rate is not None and rate < -_SLOW_M_S):
        return Measured(0.0, "the load is on its bags", {"push": descent.push})
    push = descent.push
    if push is None:
        return Unknown("what the bags give is not known without their pressures", _unheard(scene))
    on = holding[0] if len(holding) == 1 else f"{len(holding)} shores"
    return Measured(
        (1.0 - push) / _SLACK,
        lambda: f"bags give {max(0.0, push):.0%}, on {on}",
        {"push": push, "limit": 1.0 - _SLACK, "shores": ", ".join(holding)},
    )


def _holds_up(scene: Scene, shore: ShorePicture) -> bool:
    """Whether a load that is up stands on a shore, or may: within its lock pitch and what cannot be told from it."""
    if shore.gap_m is None or shore.gap_sd_m is None or shore.extension_m is None or shore.extension_m <= _OUT_M:
        return False
    walks = shore.doing == "released" and not shore.told_released
    return not walks and shore.gap_m <= scene.facts.shores[shore.name].lock_pitch + BOUND_SDS * shore.gap_sd_m


def lower_not_freed(scene: Scene, name: str) -> Outcome:
    """Bags let go of the load and a shore does not walk down: no touch of rise has freed its lock, or nobody released it."""
    descent, shore = scene.descent, scene.shore(name)
    if descent is None or no_air(scene) or "cribbing" in (scene.picture.held_by or ()):
        return None
    if shore.gap_m is None or shore.shortened_m is None or shore.extension_m is None:
        return _no_gap(scene, name)
    if shore.extension_m <= _OUT_M:
        return None
    _, pitch, noise = scene.facts.lengths[name]
    walked = shore.shortened_m > max(0.5 * pitch, _noise(noise)) or not _holds_up(scene, shore)
    slack = descent.push is None or descent.push < 1.0 - _LOST
    touched = shore.touch_m is None or shore.touch_m >= pitch
    evidence: Evidence = {"touch_m": shore.touch_m, "limit_m": pitch, "gap_m": shore.gap_m, "push": descent.push}
    if walked or not slack:
        return Measured(0.0, "its lock is free", evidence)
    if touched:
        return Measured(2.0, "stays up, load on it", evidence)
    raised = show.length(max(0.0, shore.touch_m or 0.0), scene.units)
    return Measured(2.0, f"raised {raised} of {show.length(pitch, scene.units)}", evidence)


def shore_drop(scene: Scene, name: str) -> Outcome:
    """How much a shore that should be locked has shortened, beyond seating and beyond walking down with its load."""
    shore, (extension, pitch, noise) = scene.shore(name), scene.facts.lengths[name]
    if scene.picture.zero.taken_ns is None:
        return Unknown("no zero taken yet")
    if shore.told_released:
        return None
    if shore.dropped_m is None:
        return Unknown(f"length of {name} not known", (extension,))
    limit = pitch + _SEATS_M
    share = (shore.dropped_m + BOUND_SDS * _noise(noise) / 3.0) / limit
    if share <= scene.above:
        return None
    return Measured(
        share,
        lambda: f"{show.length(shore.dropped_m, scene.units)} shorter, locked",
        {"dropped_m": shore.dropped_m, "limit_m": limit, "gap_m": shore.gap_m},
    )


def shore_lifting(scene: Scene, name: str) -> Outcome:
    """The load goes up without air of any bag, a shore extends with it, and its air is enough to be the cause."""
    moved = scene.moved
    if moved is None:
        return scene.no_pose()
    rose, grew = _gone(moved, name)
    if grew is None:
        return Unknown(f"length of {name} not known", (scene.facts.shores[name].extension,))
    if moved.alone is None:
        return Unknown(f"pressure in {moved.unheard[0]} not known", _unheard(scene))
    sure = moved.by_air or (moved.bound_m is not None and rose > moved.bound_m)
    lifts = moved.alone and sure and grew >= 0.5 * rose and _may_lift(scene, name)
    share = rose / LEAST_M if lifts else min(0.5, max(0.0, rose / LEAST_M))
    if share <= scene.above:
        return None
    return Measured(
        share,
        lambda: f"load up {show.length(rose, scene.units)}, no bag filling",
        {"rise_m": rose, "grown_m": grew, "limit_m": LEAST_M, "air_pa": scene.shore(name).air_pa},
    )


def _gone(moved: Moved, name: str) -> tuple[float, float | None]:
    """How far (m) the load rose at a shore's head, and how far the shore grew."""
    for it, rose, grew in moved.shores:
        if it == name:
            return rose, grew
    raise KeyError(name)


def _may_lift(scene: Scene, name: str) -> bool:
    """Whether a shore's air may be what lifts: well above what it follows with, or not known, or strong for this load."""
    shore = scene.shore(name)
    if shore.air_pa is None or shore.air_pa > _PUSHING * shore.follow_pa:
        return True
    needed = _to_lift(scene)
    return needed is not None and _air_push(scene)[0] > _PUSHING_SHARE * needed[0]


def shore_air_high(scene: Scene, _: str) -> Outcome:
    """What the air of all shores pushes with, about the hinge (summed for a free load), against what would lift the load."""
    if not scene.facts.pistons:
        return None
    needed = _to_lift(scene)
    if needed is None:
        return Unknown("what would lift the load is not known: no weight is planned or measured")
    push, unknown = _air_push(scene)
    if needed[0] <= 0.0:
        return None  # it stands over centre, and says so itself
    share = push / (_AIR_SHARE * needed[0])
    if unknown and share <= 1.0:
        gauges = tuple(g for n in unknown if (g := scene.facts.shores[n].pressure) is not None)
        return Unknown(f"air at {unknown[0]} not known", gauges)
    if share <= scene.above:
        return None
    return Measured(
        share,
        lambda: f"{share * _AIR_SHARE:.0%} of what lifts it, {_AIR_SHARE:.0%} allowed",
        {"push": push, "lifts": needed[0], "limit": _AIR_SHARE, "by": needed[1]},
    )


def _air_push(scene: Scene) -> tuple[float, tuple[str, ...]]:
    """(what the shores' air pushes with: moment (N m) about the planned hinge or force (N); shores whose air is unknown)."""
    push, unknown = 0.0, []
    for shore, (area, arm) in zip(scene.picture.shores, scene.facts.pistons, strict=True):
        air = shore.air_pa
        if air is None:
            unknown.append(shore.name)
        elif air > 0.0:
            push += air * area * arm
    return push, tuple(unknown)


def _to_lift(scene: Scene) -> tuple[float, str] | None:
    """(what would lift the load: moment about the planned hinge (N m), or force (N), "forces" or "plan"); None unknown."""
    balance = scene.picture.balance
    if not scene.facts.hinged:
        if balance.weight_n is not None:
            return balance.weight_n, "forces"
        planned = scene.facts.weight_n
        return None if planned is None else (planned, "plan")
    if balance.moment_nm is not None:
        return balance.moment_nm, "forces"
    weight, centre, arm = scene.facts.weight_n, scene.facts.centre, scene.facts.centre_lever
    if weight is None or centre is None or arm is None:
        return None
    turned = 0.0 if scene.pose is None else hypot(scene.pose.x[1], scene.pose.x[2])
    return weight * (arm * cos(turned) - centre[2] * sin(turned)), "plan"


def not_held(scene: Scene, _: str) -> Outcome:
    """People are to work at the load, and nothing but bags holds it up."""
    if scene.step is None or scene.step.do != "work":
        return None
    held, rise = scene.picture.held_by, scene.picture.load.rise_m
    if scene.pose is None or held is None or rise is None:
        return scene.no_pose()
    low = max((shore.gap_allowed for shore in scene.rig.shore), default=_CRIBBED_M)
    evidence: Evidence = {"rise_m": rise, "fall_m": scene.picture.fall_m, "held_by": ", ".join(held) or None}
    if "shores" in held or "cribbing" in held or rise <= low:
        return Measured(0.0, "held", evidence)
    if scene.cribs and scene.picture.fall_m is None:
        return Unknown("what cribbing holds is not known: no centre of gravity is planned")
    shores = scene.picture.shores
    unseen = [shore.name for shore in shores if shore.gap_m is None]
    if unseen and all(s.gap_m is None or (s.gap_m <= s.gap_allowed_m and s.doing != "released") for s in shores):
        return Unknown(f"gap at {unseen[0]} not known", tuple(scene.facts.shores[name].extension for name in unseen))
    by = "bags alone" if "bags" in held else "nothing known"
    return Measured(2.0, f"work, {show.length(rise, scene.units)} up on {by}", evidence)


def moved_alone(scene: Scene, _: str) -> Outcome:
    """The load moves, and no air that anybody lets in or out does it, nor a shore that is released."""
    moved = scene.moved
    if moved is None:
        return scene.no_pose()
    if moved.alone is None:
        return Unknown(f"pressure in {moved.unheard[0]} not known", _unheard(scene))
    if moved.moved_m < 0.0 and (moved.air_fell or any(shore.told_released for shore in scene.picture.shores)):
        return None
    if abs(moved.moved_m) > LEAST_M and not moved.by_air and moved.bound_m is None:
        return Unknown("a sensor of rise that lies would look the same: no bag's pressure says")
    sure = abs(moved.moved_m) if moved.by_air else max(0.0, abs(moved.moved_m) - (moved.bound_m or 0.0))
    share = sure / LEAST_M if moved.alone else 0.0
    if share <= scene.above:
        return None
    if share > 1.0 and (said := _said_better(scene, moved.moved_m)):
        return Suppressed(said)
    way = "up" if moved.moved_m > 0.0 else "down"
    return Measured(
        share,
        lambda: f"{show.length(abs(moved.moved_m), scene.units)} {way}, nobody fills or vents",
        {"moved_m": moved.moved_m, "limit_m": LEAST_M, "bound_m": moved.bound_m},
    )


def _said_better(scene: Scene, moved: float) -> str:
    """Which other alarm that sounds now says why the load went so far (m, up positive), if one does."""
    scene.above = min(scene.above, 1.0)  # the others are heard from where they sound, whoever listens to this one
    for shore in scene.picture.shores:
        dropped = shore_drop(scene, shore.name)
        as_far = -LEAST_M > moved >= -(shore.dropped_m or 0.0) - LEAST_M
        if as_far and isinstance(dropped, Measured) and dropped.share > 1.0:
            return f"shore-drop {shore.name} says why"
        lifts = shore_lifting(scene, shore.name)
        if moved > 0.0 and isinstance(lifts, Measured) and lifts.share > 1.0:
            return f"shore-lifting {shore.name} says why"
    if any(stack.slipping for stack in scene.picture.stacks):
        return "a head slips on the load"
    seen = hinge_shift(scene, "load")
    return "the hinge shifts" if isinstance(seen, Measured) and seen.share > 1.0 else ""


def _noise(noise: float | None) -> float:
    """How far (m) a smoothed length may be off, by the noise (m) of its channel."""
    return BOUND_SDS * _EXTENSION_SDS * (noise if noise is not None else 0.0005)


def _no_gap(scene: Scene, name: str) -> Unknown:
    if scene.pose is None:
        return scene.no_pose()
    return Unknown(f"gap at {name} not known", (scene.facts.shores[name].extension,))


def _unheard(scene: Scene) -> tuple[str, ...]:
    """The gauges of bags whose pressure is missing."""
    missing = {bag.name for stack in scene.picture.stacks for bag in stack.bags if bag.pressure_pa is None}
    return tuple(bag.pressure for stack in scene.rig.stack for bag in stack.bag if bag.name in missing)
