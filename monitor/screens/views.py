"""The pictures of the operator's screen: the load from the side, the stack in its footprint cone, the last minute."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from math import hypot

from monitor import quantities as show
from monitor.engine.picture import Picture, StackPicture
from monitor.rig.schema import Rig
from monitor.screens.canvas import Canvas, large
from monitor.screens.ink import Line, Role, fit

_DRAWN_AT_MOST = 0.7
"""Share of the ring beyond which the drawing of the stack turns to the colour of its alarm."""


def rise(picture: Picture, units: str, columns: int) -> list[Line]:
    """The rise in large digits, rounded to what is known, with what it may be off by: three lines."""
    load = picture.load
    bound = "" if load.bound_m is None else show.bound(load.bound_m, units)
    if units == "us":
        bound = bound.removesuffix(" in")
    digits, unit = _large_rise(load.rise_m, units, load.bound_m)
    if len(digits[0]) + 1 + len(bound) > columns and units == "us":
        digits, unit = _large_rise(load.rise_m, units, max(load.bound_m or 0.0, _EIGHTH_M))
    wide = 24 if units == "us" and columns >= 32 else 19
    if max(wide, len(digits[0])) + 1 + len(bound) > columns:
        bound = ""  # half a bound says something else
    beside = (" rise", unit, bound)
    return [
        fit([(f"{row:>{wide}} ", Role.STRONG), (text, Role.DIM)], columns)
        for row, text in zip(digits, beside, strict=True)
    ]


_EIGHTH_M = 0.0254 / 8


def _large_rise(m: float | None, units: str, bound_m: float | None) -> tuple[tuple[str, ...], str]:
    """A rise in letters three rows high, and its unit beside them."""
    if m is None:
        return large("- -"), "not known"
    number, unit = show.large(m, units, bound_m)
    return large(number.replace(" ", "\N{THIN SPACE}")), unit


def side(rig: Rig, picture: Picture, columns: int, rows: int) -> list[Line]:
    """Load, stack, shores, hinge and ground from the side, square to the hinge; the last line says the stretch."""
    nx, ny = _across_hinge(rig)

    def along(point: tuple[float, float]) -> float:
        return point[0] * nx + point[1] * ny

    base = max(stack.height_at_zero for stack in rig.stack)
    thick = rig.load.thickness or 0.1
    marks = [*rig.load.outline, *(s.at for s in rig.stack), *(s.at for s in rig.shore)]
    left, right = min(map(along, marks)), max(map(along, marks))
    margin = 0.04 * (right - left) or 0.1
    planned = max((step.until.rise for step in rig.step if step.until and step.until.rise), default=0.1)
    risen = max((stack.rise_m or 0.0) for stack in picture.stacks)
    slope_over = max(right, 1e-6) / max(along(rig.stack[0].at), 1e-6) if along(rig.stack[0].at) > 0 else 1.0
    top = base + max(planned, risen) * max(1.0, slope_over) + thick
    canvas = Canvas(columns, rows - 1, (left - margin, 0.0, right + margin, top))

    def underside(s: float) -> float:
        load = picture.load
        if load.z_m is None or load.a is None or load.b is None:
            return base
        return base + load.z_m + (load.a * nx + load.b * ny) * s

    canvas.line(left - margin, 0.0, right + margin, 0.0, Role.DIM, every=2)
    for lift in (0.0, thick):
        canvas.line(left, underside(left) + lift, right, underside(right) + lift, Role.STRONG)
    for end in (left, right):
        canvas.line(end, underside(end), end, underside(end) + thick, Role.STRONG)
    for shore, drawn in zip(rig.shore, picture.shores, strict=True):
        if drawn.extension_m is not None:
            s = along(shore.at)
            canvas.line(s, 0.0, s, base + drawn.extension_m, Role.PLAIN)
    for stack, shown in zip(rig.stack, picture.stacks, strict=True):
        _stack_side(canvas, along(stack.at), shown, underside, (nx, ny))
    if rig.load.hinge is not None:
        s = along(rig.load.hinge[0])
        canvas.text(s, underside(s) - 0.02, "▲", Role.PLAIN)
    stretch = canvas.scale_y / canvas.scale_x
    told = f"heights x{stretch:.1f}"
    if picture.load.z_m is None:
        told = f"{told}, as it lay" if len(told) + 11 <= columns else f"as it lay, x{stretch:.1f}"
    return [
        *(fit(line, columns) for line in canvas.lines()),
        fit([(told, Role.DIM)], columns),
    ]


def _stack_side(
    canvas: Canvas, s: float, stack: StackPicture, underside: Callable[[float], float], n: tuple[float, float]
) -> None:
    """The stack in the side view: its plates as short bars on a bent axis."""
    head = underside(s)
    plates = stack.plates or ((0.0, 0.0, 0.0), (0.0, 0.0, head))
    top = plates[-1][2] or 1.0
    points = [(s + x * n[0] + y * n[1], z * head / top) for x, y, z in plates]
    for (x0, z0), (x1, z1) in itertools.pairwise(points):
        canvas.line(x0, z0, x1, z1, _lean_role(stack))
    for x, z in points:
        canvas.line(x - stack.ring_m, z, x + stack.ring_m, z, _lean_role(stack))


def _across_hinge(rig: Rig) -> tuple[float, float]:
    """Unit vector square to the hinge, toward the stacks; along x for a free lift."""
    if rig.load.hinge is None:
        return 1.0, 0.0
    (x0, y0), (x1, y1) = rig.load.hinge
    length = hypot(x1 - x0, y1 - y0)
    nx, ny = (y1 - y0) / length, (x0 - x1) / length
    at = rig.stack[0].at
    return (nx, ny) if (at[0] - x0) * nx + (at[1] - y0) * ny >= 0.0 else (-nx, -ny)


def cone(stack: StackPicture, columns: int, rows: int) -> list[Line]:
    """One stack to true scale in the plane it leans in: foot ring, the cone over it, the bent axis, the head."""
    height = stack.height_m or 0.3
    lean = stack.lean_m or 0.0
    half = max(stack.ring_m * 1.5, lean * 1.15)
    scale = max(2 * half / (columns * 2), height * 1.05 / ((rows - 1) * 4))
    half, high = scale * columns, scale * (rows - 1) * 4
    canvas = Canvas(columns, rows - 1, (-half, 0.0, half, high))
    canvas.line(-half, 0.0, half, 0.0, Role.DIM, every=2)
    canvas.line(-stack.ring_m, 0.0, stack.ring_m, 0.0, Role.STRONG)
    for edge in (-stack.ring_m, stack.ring_m):
        canvas.line(edge, 0.0, edge, height, Role.DIM, every=3)
    role = _lean_role(stack)
    if stack.plates and stack.lean_x_m is not None and stack.lean_y_m is not None:
        ux, uy = (stack.lean_x_m / lean, stack.lean_y_m / lean) if lean > 1e-6 else (1.0, 0.0)
        points = [(x * ux + y * uy, z) for x, y, z in stack.plates]
        for (x0, z0), (x1, z1) in itertools.pairwise(points):
            canvas.line(x0, z0, x1, z1, role)
        for x, z in points[1:]:
            canvas.line(x - stack.ring_m * 0.7, z, x + stack.ring_m * 0.7, z, role)
        canvas.text(points[-1][0], points[-1][1], "●", role)
    words = f"{stack.name} in cone" if stack.lean_m is not None else f"{stack.name} lean ?"
    return [*(fit(line, columns) for line in canvas.lines()), fit([(words, Role.DIM)], columns)]


def _lean_role(stack: StackPicture) -> Role:
    use = stack.lean_use
    if use is None or use <= _DRAWN_AT_MOST:
        return Role.PLAIN
    return Role.DANGER_SEEN if use > 1.0 else Role.CAUTION_SEEN


def trend(
    history: Sequence[tuple[int, float | None]],
    now_ns: int,
    units: str,
    columns: int,
    rows: int,
    name: str = "rise",
    told: Callable[[float, str], str] = show.length,
    least: float = 0.02,
) -> list[Line]:
    """A value over the last minute: dots, with the scale in words. `least`: how far the scale goes at least."""
    label = 15 if units == "us" else 10
    known = [value for _, value in history if value is not None]
    low, high = (min(0.0, *known), max(least, *known)) if known else (0.0, least)
    canvas = Canvas(columns - label, rows, (-60.0, low, 0.0, high))
    canvas.graph(((time_ns - now_ns) * 1e-9, value) for time_ns, value in history)
    words = [""] * rows
    if known:
        words[0], words[-1] = told(high, units), told(low, units)
    else:
        canvas.text(-30.0, high / 2, "?", Role.UNKNOWN)
    if rows > 2:
        words[rows // 2] = f"60 s {name}" if len(name) + 5 < label else name[: label - 1]
    return [
        fit([(f"{word:>{label - 1}} ", Role.DIM), *line], columns)
        for word, line in zip(words, canvas.lines(), strict=True)
    ]
