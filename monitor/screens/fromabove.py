"""The pictures from above, both ways to one scale: one stack with its ring, head and trail; the whole load on what carries it."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from math import hypot

from monitor import quantities as show
from monitor.engine.picture import Picture, Point, StackPicture
from monitor.rig.parts import centre_of_gravity
from monitor.rig.schema import Rig
from monitor.screens.canvas import Canvas
from monitor.screens.ink import Line, Role, fit

Trail = Sequence[tuple[int, float | None, float | None]]
"""Where a head stood against its foot: (time in ns, x, y), the oldest first; None while it was not known."""

AHEAD_S = 10.0
"""How far ahead the head's way is drawn."""
STILL_M_S = 0.0005
"""Below this a head stands still: what trembles by less is no motion (common practice, no source)."""
_DRAWN_AT_MOST = 0.7
"""Share of the ring from where on the head wears the colour of its alarm."""


def above(rig: Rig, stack: StackPicture, trail: Trail, units: str, columns: int, rows: int) -> list[Line]:
    """One stack from above: its foot's ring, its head, where the head was, where it will be at this rate; two lines of words.

    Where the lean is not known there is no head in it, and a question mark in its middle.
    """
    room = max(1, rows - 2)
    lean = hypot(stack.lean_x_m or 0.0, stack.lean_y_m or 0.0)
    half = max(stack.ring_m * 1.25, lean * 1.15)
    canvas = _square(columns, room, (-half, half), (-half, half))
    canvas.ring(0.0, 0.0, stack.ring_m, Role.STRONG)
    canvas.ring(0.0, 0.0, stack.ring_m / 2.0, Role.DIM, every=4)
    _cross(canvas, half * 0.06)
    _way_to_hinge(rig, stack.at, canvas, half)
    canvas.text(-1e9, half, "from above x1" if columns >= 34 else "x1", Role.DIM)
    known = [(x, y) for _, x, y in trail if x is not None and y is not None]
    for x, y in known:
        canvas.dot(x, y, Role.DIM)
    if stack.lean_x_m is None or stack.lean_y_m is None:
        canvas.text(0.0, 0.0, "?", Role.UNKNOWN)
    else:
        _head(rig, canvas, stack, stack.lean_x_m, stack.lean_y_m)
    return [
        *(fit(line, columns) for line in canvas.lines()),
        *(fit(line, columns) for line in whither(stack, units, columns)),
    ]


def whither(stack: StackPicture, units: str, columns: int) -> list[Line]:
    """Two lines: how far the head stands out, of what ring; where it is going. Where they do not fit, the bound is left out."""
    ring = show.length(stack.ring_m, units)
    if stack.lean_m is None:
        return [
            [(f"{stack.name} ", Role.STRONG), (" LEAN NOT KNOWN ", Role.UNKNOWN), (f" of {ring}", Role.DIM)],
            [("where it goes is not known", Role.DIM)],
        ]
    use = "" if stack.lean_use is None else f" ({stack.lean_use:.0%})"
    bound = "" if stack.lean_bound_m is None else f" {show.bound(stack.lean_bound_m, units)}"
    lean = show.length(stack.lean_m, units)
    said = f"leans {lean}{bound} of {ring}{use}"
    short = len(stack.name) + 1 + len(said) > columns
    if short:
        said = f"{lean.removesuffix(ring[-3:])} of {ring}{use}"
    going = _going(stack, units)
    return [
        [(f"{stack.name} ", Role.STRONG), (said, head_role(stack))],
        [(going.partition(":")[2].strip() or going if len(going) > columns else going, Role.PLAIN)],
    ]


def _going(stack: StackPicture, units: str) -> str:
    rate, use = stack.lean_rate_m_s, stack.lean_use
    if rate is None:
        return "where it goes is not known"
    if use is not None and use >= 1.0:
        return "OUT OF ITS RING"
    if rate < -STILL_M_S:
        return f"coming back {show.speed(-rate, units)}"
    if rate <= STILL_M_S:
        return "stands still"
    words = f"out {show.speed(rate, units)}"
    if use is not None:
        words += f": at the ring in {(1.0 - use) * stack.ring_m / rate:.0f} s"
    if stack.lean_at_rise_m is not None:
        words += f", at rise {show.length(stack.lean_at_rise_m, units)}"
    return words


def head_role(stack: StackPicture) -> Role:
    """What a head is drawn in: quiet within most of its ring, its alarm's colour beyond; words say the share besides."""
    use = stack.lean_use
    if use is None or use <= _DRAWN_AT_MOST:
        return Role.STRONG
    return Role.DANGER_SEEN if use > 1.0 else Role.WARNING_SEEN


def _head(rig: Rig, canvas: Canvas, stack: StackPicture, x: float, y: float) -> None:
    config = next((it for it in rig.stack if it.name == stack.name), None)
    role, lean, rate = head_role(stack), hypot(x, y), stack.lean_rate_m_s
    if config is not None and config.head_ring > 0.0:
        canvas.ring(x, y, config.head_ring, role)
    canvas.line(0.0, 0.0, x, y, role)
    if rate is not None and rate > STILL_M_S and lean > 1e-6:
        on = 1.0 + rate * AHEAD_S / lean
        canvas.line(x, y, x * on, y * on, role, every=2)
    canvas.text(x, y, "●", role)


def _way_to_hinge(rig: Rig, at: Point, canvas: Canvas, half: float) -> None:
    """A word at the edge: where the hinge lies from here, or which way x runs where there is none."""
    if rig.load.hinge is None:
        canvas.text(half, 0.0, "x▸", Role.DIM)
        return
    (x0, y0), (x1, y1) = rig.load.hinge
    length = hypot(x1 - x0, y1 - y0) or 1.0
    off = ((at[0] - x0) * (y1 - y0) - (at[1] - y0) * (x1 - x0)) / length
    ux, uy = -(y1 - y0) / length, (x1 - x0) / length
    way = 1.0 if off >= 0.0 else -1.0
    ux, uy = ux * way, uy * way
    mark = ("◂ hinge" if ux < 0 else "hinge ▸") if abs(ux) >= abs(uy) else ("▾ hinge" if uy < 0 else "▴ hinge")
    canvas.text(ux * half * 0.98 - (half * 0.2 if abs(uy) > abs(ux) else 0.0), uy * half * 0.98, mark, Role.DIM)


def _cross(canvas: Canvas, arm: float) -> None:
    canvas.line(-arm, 0.0, arm, 0.0, Role.DIM)
    canvas.line(0.0, -arm, 0.0, arm, Role.DIM)


def plan(rig: Rig, picture: Picture, units: str, columns: int, rows: int) -> list[Line]:
    """The load from above on what carries it: outline, hinge, stacks with their rings, shores, cribs; the last line says the
    scale, the same both ways."""
    points = _points(rig)
    xs, ys = [x for x, _ in points], [y for _, y in points]
    wide = 0.04 * max(max(xs) - min(xs), max(ys) - min(ys), 0.1)
    canvas = _square(columns, max(1, rows - 1), (min(xs) - wide, max(xs) + wide), (min(ys) - wide, max(ys) + wide))
    outline = rig.load.outline
    for (x0, y0), (x1, y1) in itertools.pairwise([*outline, *outline[:1]]):
        canvas.line(x0, y0, x1, y1, Role.PLAIN)
    if rig.load.hinge is not None:
        (x0, y0), (x1, y1) = rig.load.hinge
        canvas.line(x0, y0, x1, y1, Role.STRONG)
        canvas.text((x0 + x1) / 2, (y0 + y1) / 2, "▲hinge", Role.DIM)
    for crib in rig.crib:
        canvas.text(*crib.at, f"#{crib.name}", Role.PLAIN)
    for shore in picture.shores:
        behind = shore.gap_m is not None and shore.gap_m > shore.gap_allowed_m
        mark, role = (
            ("?", Role.UNKNOWN) if shore.gap_m is None else ("▽", Role.WARNING_SEEN) if behind else ("▪", Role.PLAIN)
        )
        canvas.text(*shore.at, f"{mark}{shore.name}{' BEHIND' if behind else ''}", role)
    for stack in picture.stacks:
        canvas.ring(*stack.at, stack.ring_m, head_role(stack))
        canvas.text(*stack.at, f"○{stack.name}", head_role(stack))
    if (centre := _centre(rig, picture)) is not None:
        canvas.text(*centre, "+cg", Role.DIM)
    cell = show.length(2.0 / canvas.scale_x, units)
    said = f"from above x1, a cell is {cell} wide"
    return [*(fit(line, columns) for line in canvas.lines()), fit([(said, Role.DIM)], columns)]


def _centre(rig: Rig, picture: Picture) -> Point | None:
    """Where the centre of gravity lies, as measured, else as planned."""
    found = picture.balance.cg_m
    if found is not None and found[0] is not None and found[1] is not None:
        return found[0], found[1]
    planned = centre_of_gravity(rig.load)
    return None if planned is None else (planned[0], planned[1])


def _points(rig: Rig) -> list[Point]:
    rings = [
        (x + r * sx, y + r * sy) for s in rig.stack for x, y, r in [(*s.at, s.ring)] for sx, sy in ((-1, -1), (1, 1))
    ]
    hinge = list(rig.load.hinge or ())
    return [*rig.load.outline, *hinge, *rings, *(s.at for s in rig.shore), *(c.at for c in rig.crib)]


def _square(columns: int, rows: int, x: tuple[float, float], y: tuple[float, float]) -> Canvas:
    """A canvas on which a metre is as many dots up as across, with what is to be seen in its middle."""
    a_dot = max((x[1] - x[0]) / max(1, columns * 2 - 1), (y[1] - y[0]) / max(1, rows * 4 - 1), 1e-9)
    half_x, half_y = a_dot * (columns * 2 - 1) / 2, a_dot * (rows * 4 - 1) / 2
    cx, cy = (x[0] + x[1]) / 2, (y[0] + y[1]) / 2
    return Canvas(columns, rows, (cx - half_x, cy - half_y, cx + half_x, cy + half_y))
