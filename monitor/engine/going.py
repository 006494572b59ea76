"""What the load itself is about to do: slide, walk on its hinge, go over centre, weigh more than planned.

Conditions like those of conditions.py, drawn from what the estimator makes of forces and motion together.
"""

from __future__ import annotations

from math import atan2, hypot

from monitor import quantities as show
from monitor.engine import turning
from monitor.engine.conditions import BOUND_SDS, Evidence, Measured, Outcome, Scene, Unknown
from monitor.engine.mounts import asin_clipped
from monitor.engine.planned import across

_HEAVIER_SDS = 2.0
"""Standard deviations by which a load must be heavier than planned and its margin."""
_SLIP_M = 0.010
"""What a slip is measured against; whether it is one, slip.py says (common practice, no source)."""


def slip(scene: Scene, name: str) -> Outcome:
    """The head goes sideways faster than the load's motion explains: it slides on the load."""
    stack = scene.stack(name)
    if stack.slipping is None:
        missing = scene.lean_missing[name]
        if scene.pose is None:
            return scene.no_pose()
        return Unknown(f"slip of {name} not seen without {missing[0] if missing else 'a sensor at its head'}", missing)
    gone = abs(stack.slip_m or 0.0)
    share = max(1.2, gone / _SLIP_M) if stack.slipping else min(0.6, 0.5 * gone / _SLIP_M)
    if share <= scene.above:
        return None
    return Measured(
        share, lambda: f"{show.length(gone, scene.units)} in a second on the load", {"slip_m": stack.slip_m}
    )


def hinge_shift(scene: Scene, _: str) -> Outcome:
    """The line that the load turns about walks, or what carries it sinks."""
    hinge = scene.picture.hinge
    if scene.pose is None:
        return scene.no_pose()
    if hinge.line is not None and scene.pose.disputed:
        pair = tuple(sorted(scene.pose.disputed))
        return Unknown(f"whether the hinge walks is not known while {' and '.join(pair[:2])} disagree", pair)
    if hinge.shift_m is None or hinge.shift_limit_m is None or hinge.walk_m is None:
        return None
    walk, shift = hinge.walk_m, hinge.shift_m
    share = abs(shift) / hinge.shift_limit_m
    if share <= scene.above:
        return None
    way = "sank" if shift < 0.0 else "rose"
    return Measured(
        share,
        lambda: f"walked {show.length(abs(walk), scene.units)} or {way} {show.length(abs(shift), scene.units)}",
        {"walk_m": walk, "shift_m": shift, "limit_m": hinge.shift_limit_m},
    )


def over_centre(scene: Scene, _: str) -> Outcome:
    """How far the load has turned toward where it goes over centre: as the forces say, else as planned."""
    picture, pose = scene.picture, scene.pose
    if pose is None:
        return scene.no_pose() if scene.facts.hinged else None
    if picture.hinge.line is None:
        return None
    line = picture.hinge.line
    x0, y0 = line[0]
    nx, ny = scene.facts.across if line == scene.facts.hinge else across(line, scene.facts.heads)
    tip, least, by = picture.balance.tip_rad, picture.balance.tip_least_rad, "forces"
    if tip is not None:
        least = tip - BOUND_SDS * (picture.balance.tip_sd_rad or 0.0)
    planned = scene.facts.centre
    if tip is None and planned is not None:
        e = (planned[0] - x0) * nx + (planned[1] - y0) * ny
        tip, by = atan2(e, planned[2]) - asin_clipped(nx * pose.a0 + ny * pose.b0), "plan"
        least = tip if least is None else min(tip, least)
    if least is None:
        return Unknown("where it goes over is not known: no centre of gravity is planned")
    tip = least if tip is None else tip
    # The plan's angle is one against gravity; what the forces say was measured with the same inclinometers.
    turned, sd = turning.turned(scene, (nx, ny))
    sd = hypot(sd, pose.level_sd if by == "plan" else 0.0)
    share = 2.0 if least <= 0.0 else (turned + BOUND_SDS * sd) / least
    if share <= scene.above:
        return None
    evidence: Evidence = {"tilt_rad": turned, "tip_rad": tip, "least_rad": least, "by": by}
    if least <= 0.0:
        return Measured(share, "it stands over centre", evidence)
    return Measured(share, lambda: f"{show.angle(turned)}, goes over at {show.angle(tip)}", evidence)


def overload(scene: Scene, _: str) -> Outcome:
    """The load's weight beyond its error, against the planned one and its margin."""
    planned, weight = scene.facts.weight_n, scene.picture.balance.weight_n
    if planned is None or weight is None:
        return None
    sd = scene.picture.balance.weight_sd_n or 0.0
    limit = planned * (1.0 + scene.facts.limits.weight_margin)
    share = (weight - _HEAVIER_SDS * sd) / limit
    if share <= scene.above:
        return None
    return Measured(
        share,
        lambda: f"{show.force(weight, scene.units)}, {show.force(planned, scene.units)} planned",
        {"weight_n": weight, "planned_n": planned, "limit_n": limit},
    )
