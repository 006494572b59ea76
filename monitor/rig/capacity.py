"""A bag's data plate as effective area against height: force at working pressure, divided by that pressure."""

from __future__ import annotations

from monitor.rig.schema import Bag


class AreaTable:
    """Effective area against height, linear between the points of a data plate; never rising with height."""

    def __init__(self, bag: Bag) -> None:
        self.heights = [height for height, _ in bag.capacity]
        self.areas = [force / bag.working_pressure for _, force in bag.capacity]
        self._pieces = [
            (low, high, high - low, most, least, most - least)
            for low, high, most, least in zip(self.heights, self.heights[1:], self.areas, self.areas[1:], strict=False)
        ]

    def area(self, height: float) -> float:
        """Effective area (m^2) at a height (m); the ends of the table hold beyond it."""
        if height <= self.heights[0]:
            return self.areas[0]
        for low, high, length, most, _, less in self._pieces:
            if height <= high:
                return most - (height - low) / length * less
        return self.areas[-1]

    def height_at(self, area: float, highest: bool = False) -> float:
        """The height (m) at which the area is `area`; the ends of the table bound it.

        Where the table is flat, the lowest such height, or with `highest` the highest.
        """
        if area > self.areas[0] or (area == self.areas[0] and not highest):
            return self.heights[0]
        for low, _, length, most, least, less in self._pieces:
            if area > least or (area == least and not highest):
                return low + (most - area) / less * length
        return self.heights[-1]
