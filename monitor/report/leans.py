"""How the stacks leaned: on the plan view of the load, and each stack from above and from the side, all to scale."""

from __future__ import annotations

from itertools import groupby
from math import hypot

from monitor.engine.picture import Point, StackPicture
from monitor.report.facts import Facts
from monitor.report.trails import Trail
from monitor.report.words import clock
from monitor.rig.drawing import Paper, plan_paper
from monitor.rig.schema import Rig, Stack

_HALF, _TALL = 330.0, 330.0
"""Size of a drawing of which two stand side by side."""


def on_the_plan(rig: Rig, trails: dict[str, Trail]) -> str:
    """The load from above, with the way of each stack's head in the ring of its foot."""
    paper = plan_paper(rig)
    for stack in rig.stack:
        trail = trails.get(stack.name)
        if trail is not None:
            _way(paper, trail, stack.at)
            if trail.worst is not None:
                _dot(paper, trail.worst[1], stack.at)
    return paper.svg(rig.rig.units)


def from_above(rig: Rig, stack: Stack, trail: Trail) -> str:
    """One stack from above: the ring of its foot, half of it, the way of its head, and the head where it stood out farthest."""
    worst = trail.worst[1] if trail.worst is not None else None
    out = max(stack.ring, *(hypot(*point) + stack.head_ring for point in trail.points if point is not None), 0.0)
    box = [(x * out, y * out) for x in (-1.05, 1.05) for y in (-1.05, 1.05)]
    paper = Paper(box, f"Stack {stack.name} from above, to scale", _HALF, _TALL)
    paper.ring((0.0, 0.0), stack.ring, "stack")
    paper.ring((0.0, 0.0), stack.ring / 2.0, "before")
    paper.line((-out * 0.06, 0.0), (out * 0.06, 0.0), "mark")
    paper.line((0.0, -out * 0.06), (0.0, out * 0.06), "mark")
    _way(paper, trail, (0.0, 0.0))
    if worst is not None:
        _dot(paper, worst, (0.0, 0.0))
        if stack.head_ring and worst.lean_x_m is not None and worst.lean_y_m is not None:
            paper.ring((worst.lean_x_m, worst.lean_y_m), stack.head_ring, "mark")
    paper.name((0.0, -stack.ring), f"ring of the foot ({stack.name})", -12.0)
    _compass(paper, out)
    return paper.svg(rig.rig.units)


def from_the_side(rig: Rig, stack: Stack, trail: Trail) -> str:
    """The stack from the side at that moment, seen across the way it leaned: its plates from foot to head, over the ring of its
    foot. "" where the lean never was known."""
    if trail.worst is None:
        return ""
    at_ns, it = trail.worst
    plates = _across(it)
    tall = max([up for _, up in plates] + [it.height_m or 0.0])
    if len(plates) < 2 or tall <= 0.0:
        return ""
    out = max(stack.ring, *(abs(along) + stack.head_ring for along, _ in plates))
    paper = Paper([(-out, 0.0), (out, tall)], f"Stack {stack.name} from the side, to scale", _HALF, _TALL)
    paper.shape([(-stack.ring, 0.0), (stack.ring, 0.0), plates[-1]], "cone")
    for side in (-stack.ring, stack.ring):
        paper.line((side, 0.0), (side, tall), "before")
    paper.line((-out * 1.05, 0.0), (out * 1.05, 0.0), "ground")
    half = (stack.head_ring or stack.ring / 2.0) * 0.9
    for along, up in plates:
        paper.line((along - half, up), (along + half, up), "plate")
    paper.way(plates, "bags")
    paper.name((-stack.ring, 0.0), f"ring of the foot, at {clock(at_ns)}", -14.0)
    return paper.svg(rig.rig.units)


def _across(it: StackPicture) -> list[Point]:
    """(along the way it leans, height) of each plate from foot to head."""
    x, y = it.lean_x_m or 0.0, it.lean_y_m or 0.0
    far = hypot(x, y)
    ux, uy = (x / far, y / far) if far > 0.0 else (1.0, 0.0)
    found = [(px * ux + py * uy, up) for px, py, up in it.plates]
    return found if found and found[0][1] <= 1e-6 else [(0.0, 0.0), *found]


def _way(paper: Paper, trail: Trail, at: Point) -> None:
    for known, points in groupby(trail.points, key=lambda point: point is not None):
        if known:
            paper.way([(at[0] + x, at[1] + y) for x, y in (p for p in points if p is not None)], "trail")


def _dot(paper: Paper, worst: StackPicture, at: Point) -> None:
    if worst.lean_x_m is not None and worst.lean_y_m is not None:
        head = at[0] + worst.lean_x_m, at[1] + worst.lean_y_m
        paper.line(at, head, "out")
        paper.ring(head, 0.0, "head")


def _compass(paper: Paper, out: float) -> None:
    """Which way the load's axes run."""
    corner = (-out, out * 0.8)
    paper.line(corner, (corner[0] + out * 0.18, corner[1]), "mark")
    paper.line(corner, (corner[0], corner[1] + out * 0.18), "mark")
    paper.name((corner[0] + out * 0.18, corner[1]), "x", -4.0)
    paper.name((corner[0], corner[1] + out * 0.18), "y", 2.0)


def worst_of(facts: Facts) -> dict[str, tuple[int, StackPicture]]:
    """Of each stack whose lean was ever known: when it took up most of its ring, and the stack as it stood then."""
    return {name: it.worst for name, it in facts.trails.items() if it.worst is not None}
