"""How bags that carry one force share a height, by their data plates alone."""

from __future__ import annotations

from monitor.addition import added
from monitor.rig.capacity import AreaTable


def share_height(tables: list[AreaTable], pressures: list[float | None], total: float) -> tuple[float, list[float]]:
    """(force, heights) with p_i*A_i(h_i) = force for every open bag and heights that sum to `total`.

    Pressures in Pa gauge, None for a spacer (it stays at its flat height); lengths in m, force in N. The sum of heights
    falls with the force, piecewise linearly between the table's points, so the root is found exactly. A total
    outside what the tables allow is met at their nearest end, and what remains is shared evenly.
    """
    open_bags = [(table, p) for table, p in zip(tables, pressures, strict=True) if p is not None]
    if not open_bags:
        return 0.0, [table.heights[0] for table in tables]

    def heights(force: float, highest: bool) -> list[float]:
        return [
            table.heights[0] if p is None else table.height_at(force / p, highest)
            for table, p in zip(tables, pressures, strict=True)
        ]

    forces = sorted({area * p for table, p in open_bags for area in table.areas})
    high, upper = forces[-1], heights(forces[-1], False)
    for force in reversed(forces):  # from the greatest force (all flat) downward: the sum only grows
        for highest in (False, True):
            these = heights(force, highest)
            if added(these) >= total:
                span = added(these) - added(upper)
                share = (total - added(upper)) / span if span > 0.0 else 0.0
                between = [u + share * (t - u) for u, t in zip(upper, these, strict=True)]
                return high + share * (force - high), _shared_out(between, total, pressures)
            high, upper = force, these
    return high, _shared_out(upper, total, pressures)


def _shared_out(heights: list[float], total: float, pressures: list[float | None]) -> list[float]:
    """The heights with what is missing to `total` shared evenly by the open bags."""
    missing = (total - added(heights)) / sum(p is not None for p in pressures)
    return [h if p is None else h + missing for h, p in zip(heights, pressures, strict=True)]
