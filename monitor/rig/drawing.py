"""A plan view and a side view of a rig, to scale, as SVG text: where everything stands, before the lift and at its top.

Only what the file says is drawn: a load without an outline is drawn as the box around what stands under it, and said so.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from html import escape
from math import cos, sin

from monitor.quantities import length
from monitor.rig.parts import centre_of_gravity
from monitor.rig.profile import top_rise
from monitor.rig.schema import Rig
from monitor.rig.statics import Point, arm, tilt

_WIDE, _TALL, _EDGE = 680.0, 300.0, 46.0
"""A drawing's size and margin, in its own units: 680 across a printed page."""
_BARS = {"metric": (1.0, 0.1, 0.01, 0.001), "us": (0.3048, 0.1524, 0.0762, 0.0254, 0.00635)}
"""Lengths (m) of the bar that shows a drawing's scale: round ones, of a metre or of a foot and its inches."""


class Paper:
    """A sheet on which points of a plane (m, second axis up) are drawn to one scale, so wide and at most so tall."""

    def __init__(self, points: Iterable[Point], title: str, wide: float = _WIDE, tall: float = _TALL) -> None:
        points = list(points)
        xs, ys = [x for x, _ in points], [y for _, y in points]
        self.x0, self.y1 = min(xs), max(ys)
        across, up = max(max(xs) - self.x0, 1e-3), max(self.y1 - min(ys), 1e-3)
        self.wide = wide
        self.scale = min((wide - 2 * _EDGE) / across, (tall - 2 * _EDGE) / up)
        self.tall = up * self.scale + 2 * _EDGE
        self.title = title
        self.parts: list[str] = []

    def at(self, point: Point) -> tuple[float, float]:
        return _EDGE + (point[0] - self.x0) * self.scale, _EDGE + (self.y1 - point[1]) * self.scale

    def shape(self, points: Iterable[Point], look: str) -> None:
        self.parts.append(
            f'<polygon class="{look}" points="{" ".join(f"{x:.1f},{y:.1f}" for x, y in map(self.at, points))}"/>'
        )

    def line(self, a: Point, b: Point, look: str) -> None:
        (x1, y1), (x2, y2) = self.at(a), self.at(b)
        self.parts.append(f'<line class="{look}" x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"/>')

    def ring(self, centre: Point, radius: float, look: str) -> None:
        x, y = self.at(centre)
        self.parts.append(f'<circle class="{look}" cx="{x:.1f}" cy="{y:.1f}" r="{max(radius * self.scale, 2.0):.1f}"/>')

    def way(self, points: Iterable[Point], look: str) -> None:
        """A line through points that is not closed."""
        self.parts.append(
            f'<polyline class="{look}" points="{" ".join(f"{x:.1f},{y:.1f}" for x, y in map(self.at, points))}"/>'
        )

    def cross(self, point: Point, name: str) -> None:
        x, y = self.at(point)
        self.parts.append(f'<path class="mark" d="M{x - 6:.1f},{y:.1f}h12M{x:.1f},{y - 6:.1f}v12"/>')
        self.name(point, name)

    def name(self, point: Point, text: str, up: float = 4.0) -> None:
        x, y = self.at(point)
        anchor = "end" if x > self.wide * 0.7 else "start"
        shift = -7.0 if anchor == "end" else 7.0
        self.parts.append(f'<text x="{x + shift:.1f}" y="{y - up:.1f}" text-anchor="{anchor}">{escape(text)}</text>')

    def svg(self, units: str) -> str:
        """The drawing, with a bar of a round length for its scale."""
        bars = _BARS[units]
        bar = next((it for it in bars if it * self.scale <= 0.4 * self.wide), bars[-1])
        y = self.tall - 12.0
        rule = (
            f'<path class="mark" d="M{_EDGE:.1f},{y - 4:.1f}v8M{_EDGE:.1f},{y:.1f}h{bar * self.scale:.1f}m0,-4v8"/>'
            f'<text x="{_EDGE + bar * self.scale + 7:.1f}" y="{y + 4:.1f}">{escape(length(bar, units))}</text>'
        )
        return (
            f'<svg viewBox="0 0 {self.wide:.0f} {self.tall:.0f}" role="img" aria-label="{escape(self.title)}">'
            f"<title>{escape(self.title)}</title>{''.join(self.parts)}{rule}</svg>"
        )


def _outline(rig: Rig) -> list[Point]:
    """The load's outline seen from above, or the box around all that stands under it."""
    if rig.load.outline:
        return list(rig.load.outline)
    points = (
        [s.at for s in rig.stack] + [s.at for s in rig.shore] + [c.at for c in rig.crib] + list(rig.load.hinge or ())
    )
    xs, ys = [x for x, _ in points], [y for _, y in points]
    x0, x1, y0, y1 = min(xs) - 0.2, max(xs) + 0.2, min(ys) - 0.2, max(ys) + 0.2
    return [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]


def missing(rig: Rig) -> list[str]:
    """What of the drawings is not in the file."""
    said = (
        [] if rig.load.outline else ["the load's outline is not in the file: the box around all that stands under it"]
    )
    if rig.load.thickness is None:
        said.append("the load's thickness is not in the file: its underside alone is drawn")
    return said


def plan_view(rig: Rig) -> str:
    """Seen from above, x to the right and y up the page: outline, hinge, stacks with their rings, shores, cribs."""
    return plan_paper(rig).svg(rig.rig.units)


def plan_paper(rig: Rig) -> Paper:
    """The plan view, on which more may be drawn."""
    outline = _outline(rig)
    rings = [(s.at[0] + dx * s.ring, s.at[1] + dy * s.ring) for s in rig.stack for dx in (-1, 1) for dy in (-1, 1)]
    others = [shore.at for shore in rig.shore] + [crib.at for crib in rig.crib]
    centre = centre_of_gravity(rig.load)
    marks = [centre[:2]] if centre else []
    paper = Paper([*outline, *rings, *others, *(rig.load.hinge or ()), *marks], "Plan view, to scale")
    paper.shape(outline, "load")
    for crib in rig.crib:
        half = crib.width / 2.0
        x, y = crib.at
        paper.shape([(x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)], "crib")
        paper.name((x, y + half), crib.name)
    for shore in rig.shore:
        paper.ring(shore.at, 0.05, "shore")
        paper.name(shore.at, shore.name)
    for stack in rig.stack:
        paper.ring(stack.at, stack.ring, "stack")
        paper.name((stack.at[0], stack.at[1] + stack.ring), stack.name)
    if rig.load.hinge is not None:
        paper.line(*rig.load.hinge, "hinge")
        paper.name(max(rig.load.hinge, key=lambda end: end[1]), "hinge", 8.0)
    if centre is not None:
        paper.cross(centre[:2], "centre of gravity")
    return paper


def side_view(rig: Rig) -> str:
    """Seen along the hinge (along y in a free lift), on level ground: dashed at the zero, full at the top of the plan."""
    away = _away(rig)
    spans = [away(point) for point in _outline(rig)]
    thick = rig.load.thickness or 0.0
    floor = max(stack.height_at_zero for stack in rig.stack)
    rise = top_rise(rig)
    angle = tilt(rig, rise) or 0.0
    side = 1.0 if max((away(stack.at) for stack in rig.stack), key=abs) >= 0.0 else -1.0

    def lifted(along: float, up: float) -> Point:
        """Where a point of the load is at the top: turned about the hinge, or lifted straight."""
        if rig.load.hinge is None:
            return along, floor + up + rise
        turn = angle * side
        return along * cos(turn) - up * sin(turn), floor + along * sin(turn) + up * cos(turn)

    low, high = min(spans), max(spans)
    corners = [(low, 0.0), (high, 0.0), (high, thick), (low, thick)]
    at_zero = [(along, floor + up) for along, up in corners]
    at_top = [lifted(along, up) for along, up in corners]
    feet = [(away(s.at) + sign * s.ring, 0.0) for s in rig.stack for sign in (-1.0, 1.0)]
    centre = centre_of_gravity(rig.load)
    marks = [lifted(away(centre[:2]), centre[2])] if centre else []
    paper = Paper([*at_zero, *at_top, *feet, *marks, (low, 0.0), (high, 0.0)], "Side view, to scale")
    ends = [x for x, _ in (*at_zero, *at_top, *feet)]
    paper.line((min(ends), 0.0), (max(ends), 0.0), "ground")
    for stack in rig.stack:
        out, head = away(stack.at), lifted(away(stack.at), 0.0)
        paper.shape([(out - stack.ring, 0.0), (out + stack.ring, 0.0), head], "cone")
        paper.line((out, 0.0), head, "bags")
    for out in sorted({round(away(stack.at), 2) for stack in rig.stack}):
        behind = [stack.name for stack in rig.stack if round(away(stack.at), 2) == out]
        paper.name((out, floor / 2.0), ", ".join(behind))
    for shore in rig.shore:
        paper.line((away(shore.at), 0.0), lifted(away(shore.at), 0.0), "prop")
    paper.shape(at_zero, "before")
    paper.shape(at_top, "load")
    if rig.load.hinge is not None:
        paper.ring((0.0, floor), 0.0, "pin")
        paper.name((0.0, floor), "hinge", -14.0)
    for mark in marks:
        paper.cross(mark, "centre of gravity")
    return paper.svg(rig.rig.units)


def _away(rig: Rig) -> Callable[[Point], float]:
    """How far (m) a point lies from the hinge line, seen along it; its x in a free lift."""
    hinge = rig.load.hinge
    if hinge is None:
        return lambda point: point[0]
    (x0, y0), (x1, y1) = hinge
    flip = 1.0 if abs(y0 - y1) < abs(x1 - x0) or y0 > y1 else -1.0  # x to the right, as in the plan view
    return lambda point: flip * arm(hinge, point)
