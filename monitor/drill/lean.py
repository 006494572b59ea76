"""How the plates between the bags of a virtual stack stand, and how far tilts alone carry its head sideways."""

from __future__ import annotations

from collections.abc import Sequence
from math import cos, log, tan

_STEEPEST = 1.3
"""No plate stands steeper (rad)."""


def offset(heights: Sequence[float], tilts: Sequence[float]) -> float:
    """Offset (m) of the head from the foot, along one axis: each bag's axis bends evenly from plate to plate.

    A vertical axis whose tilt goes evenly from a to b over a height h leaves its head off by h ln(cos b / cos a) / (b - a).
    A plate whose + side is up leans the stack to the - side.
    """
    total = 0.0
    for i, height in enumerate(heights):
        a, b = tilts[i], tilts[i + 1]
        total += height * log(cos(b) / cos(a)) / (b - a) if abs(b - a) > 1e-6 else -height * tan((a + b) / 2.0)
    return total


def shared(count: int, head: float) -> list[float]:
    """Tilts (rad) of plates 0..count when the head's is shared evenly by the bags and the foot is level."""
    return [i / count * head for i in range(count + 1)]


def rolled(tilts: Sequence[float], roll: float) -> list[float]:
    """Tilts with the plates between turned by `roll` (rad); they drag the top plate along by half."""
    return [tilts[0], *(t + roll for t in tilts[1:-1]), tilts[-1] + 0.5 * roll]


def carried(heights: Sequence[float], tilts: Sequence[float], by: float) -> list[float]:
    """Tilts with the plates between turned until the head stands `by` (m) further: the stack leans after its head.

    With one bag there is no plate between, and tilts show nothing.
    """
    if by == 0.0 or len(heights) < 2:
        return list(tilts)
    wanted, turn = offset(heights, tilts) + by, 0.0

    def turned(turn: float) -> list[float]:
        return [tilts[0], *(min(max(t + turn, -_STEEPEST), _STEEPEST) for t in tilts[1:-1]), tilts[-1]]

    for _ in range(30):
        now = offset(heights, turned(turn))
        slope = (offset(heights, turned(turn + 1e-5)) - now) / 1e-5
        if slope >= 0.0 or abs(now - wanted) < 1e-10:
            break
        turn = min(max(turn + (wanted - now) / slope, -_STEEPEST), _STEEPEST)
    return turned(turn)
