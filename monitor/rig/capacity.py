"""A bag's data plate as effective area against height: force at working pressure, divided by that pressure."""

from __future__ import annotations

from monitor.rig.schema import Bag


class AreaTable:
    """Effective area against height, linear between the points of a data plate; never rising with height."""

    def __init__(self, bag: Bag) -> None:
        self.heights = [height for height, _ in bag.capacity]
        self.areas = [force / bag.working_pressure for _, force in bag.capacity]
        self._pieces = [
            (high, low, high - low, area, less - area)
            for low, high, area, less in zip(self.heights, self.heights[1:], self.areas, self.areas[1:], strict=False)
        ]

    def area(self, height: float) -> float:
        """Effective area (m^2) at a height (m); the ends of the table hold beyond it."""
        if height <= self.heights[0]:
            return self.areas[0]
        for high, low, length, area, more in self._pieces:
            if height <= high:
                return area + (height - low) / length * more
        return self.areas[-1]

    def height_at(self, area: float, highest: bool = False) -> float:
        """The height (m) at which the area is `area`; the ends of the table bound it.

        Where the table is flat, the lowest such height, or with `highest` the highest.
        """
        heights, areas = self.heights, self.areas
        if area > areas[0] or (area == areas[0] and not highest):
            return heights[0]
        for k in range(1, len(heights)):
            if area > areas[k] or (area == areas[k] and not highest):
                share = (areas[k - 1] - area) / (areas[k - 1] - areas[k])
                return heights[k - 1] + share * (heights[k] - heights[k - 1])
        return heights[-1]
