"""Random rigs and lifts in closed form for the benches: a rigid load that turns exactly about its hinge, by numpy.

Nothing here is shared with the estimator. All numbers are invented.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from math import asin, cos, hypot, radians, sin, sqrt

import numpy as np

from monitor.rig.schema import Rig

PORT = {"name": "bench", "driver": "nmea", "url": "socket://127.0.0.1:10110"}


def channel(name: str, quantity: str, noise: float) -> dict:
    return {"name": name, "quantity": quantity, "noise": noise, "source": {"port": "bench", "id": name}}


@dataclass
class PoseRig:
    """A random rig of pose sensors: at least five that see each other, on a load hinged along a line."""

    rng: random.Random
    document: dict = field(init=False)
    period: dict[str, float] = field(init=False)
    noise: dict[str, float] = field(init=False)

    def __post_init__(self) -> None:
        rng = self.rng
        self.length, self.width = rng.uniform(3.0, 8.0), rng.uniform(2.0, 4.0)
        slant = rng.uniform(-0.2, 0.2)
        half = self.width / 2.0
        x0, x1 = -half * slant, half * slant
        self.hinge = np.array([[x0, -half], [x1, half]])
        self.lift_at = (self.length * rng.uniform(0.75, 0.95), rng.uniform(-0.1, 0.1) * self.width)
        mounts = ["load", "load", "ground", "wire"]
        corners = [(0.97, 0.45), (0.97, -0.45), (0.25, 0.4), (0.3, -0.4)]
        heights = []
        for i, (fx, fy) in enumerate(corners[: rng.choice([3, 4])]):
            at = [self.length * fx * rng.uniform(0.95, 1.0), self.width * fy * rng.uniform(0.9, 1.0)]
            it = {"channel": f"H{i}", "at": at, "mount": rng.choice(mounts), "height": rng.choice([0.0, 0.0, 0.2])}
            if it["mount"] == "wire":
                it["anchor"] = [at[0] + rng.uniform(-0.1, 0.1), at[1] + rng.uniform(-0.1, 0.1), -rng.uniform(0.5, 1.0)]
            heights.append(it)
        axes = [(1.0, 0.0), (0.0, 1.0), (1.0, 0.0)][: rng.choice([2, 2, 3]) if len(heights) == 4 else 3]
        tilts = [
            {"channel": f"T{i}", "axis": list(axis), "mounting": rng.uniform(-0.01, 0.01)}
            for i, axis in enumerate(axes)
        ]
        self.noise = {it["channel"]: rng.uniform(0.0003, 0.001) for it in heights}
        self.noise |= {it["channel"]: radians(rng.uniform(0.02, 0.05)) for it in tilts}
        self.period = {name: 1.0 / rng.choice([8.0, 10.0, 20.0, 25.0]) for name in self.noise}
        self.level = (rng.uniform(-0.03, 0.03), rng.uniform(-0.03, 0.03))
        self.document = {
            "version": 1,
            "rig": {"name": "bench"},
            "load": {"hinge": self.hinge.tolist(), "weight": 5e4, "centre_of_gravity": [self.length / 2, 0.0, 0.2]},
            "stack": [
                {
                    "name": "S1", "at": list(self.lift_at), "height_at_zero": 0.2, "supply": 8e5, "ring": 0.2,
                    "bag": [{"name": "B", "working_pressure": 8e5, "height_flat": 0.1, "pressure": "P",
                             "capacity": [[0.1, 1e5], [0.9, 5e4]]}],
                }
            ],
            "height": heights,
            "tilt": tilts,
            "port": [PORT],
            "channel": [channel(it["channel"], "length", self.noise[it["channel"]]) for it in heights]
            + [channel(it["channel"], "angle", self.noise[it["channel"]]) for it in tilts]
            + [channel("P", "pressure", 1e3)],
        }  # fmt: skip

    def rig(self) -> Rig:
        return Rig.model_validate(self.document)

    def rotation(self, theta: float) -> np.ndarray:
        """The load's rotation: level axis of the hinge (as it lies at the zero), after its first lie."""
        first = tilted(*(sin(v) for v in self.level))
        ends = np.column_stack([self.hinge, np.zeros(2)]) @ first.T
        along = ends[1] - ends[0]
        along /= np.linalg.norm(along)
        return about(along, -theta) @ first, ends[0] - about(along, -theta) @ ends[0], first

    def see(self, theta: float) -> dict[str, float]:
        """What every pose channel reads, without noise."""
        return self._see(*self.rotation(theta))

    def see_free(self, z: float, a: float, b: float) -> dict[str, float]:
        """The same for a load that moves as it likes: the rise of its origin and the changes of its axes' cosines."""
        before = tilted(*(sin(v) for v in self.level))
        after = tilted(before[2, 0] + a, before[2, 1] + b)
        still = np.array([*self.hinge.mean(axis=0), 0.0])  # this point goes nowhere sideways
        origin = before @ still - after @ still
        origin[2] = z
        return self._see(after, origin, before)

    def _see(self, after: np.ndarray, origin: np.ndarray, before: np.ndarray) -> dict[str, float]:
        values = {}
        for it in self.document["height"]:
            point = np.array([*it["at"], it["height"]])
            now, then = origin + after @ point, before @ point
            if it["mount"] == "load":
                values[it["channel"]] = 0.3 + now[2] - then[2]
            elif it["mount"] == "wire":
                values[it["channel"]] = float(np.linalg.norm(now - before @ np.array(it["anchor"])))
            else:
                x, y = it["at"]
                values[it["channel"]] = 1.0 + hit(after, origin, x, y, it["height"])
        for it in self.document["tilt"]:
            axis = np.array([*it["axis"], 0.0])
            values[it["channel"]] = asin((after @ axis)[2]) + it["mounting"]
        return values

    def truth(self, theta: float) -> tuple[float, float, float]:
        """[z, a, b] since the zero."""
        after, origin, before = self.rotation(theta)
        return origin[2], after[2, 0] - before[2, 0], after[2, 1] - before[2, 1]


def hit(rotation: np.ndarray, origin: np.ndarray, x: float, y: float, h: float) -> float:
    normal = rotation[:, 2]
    return origin[2] + (h + normal[0] * (origin[0] - x) + normal[1] * (origin[1] - y)) / normal[2]


def about(axis: np.ndarray, angle: float) -> np.ndarray:
    """Rotation about a unit axis (Rodrigues)."""
    x, y, z = axis
    k = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.eye(3) + sin(angle) * k + (1 - cos(angle)) * k @ k


def tilted(a: float, b: float) -> np.ndarray:
    """The rotation about a level axis whose third row is (a, b, c)."""
    size = hypot(a, b)
    return np.eye(3) if size == 0.0 else about(np.array([b, -a, 0.0]) / size, asin(size))


def steady(t: float, rate: float, begins: float, ends: float) -> float:
    """How far something has gone that moves at a constant rate between two times."""
    return rate * max(0.0, min(t, ends) - begins)


def shaken(rng: random.Random, seconds: float, density: float, dt: float = 0.01) -> list[float]:
    """A path whose acceleration is white noise of a density (m^2/s^3): position every `dt`."""
    place = speed = 0.0
    path = []
    for _ in range(round(seconds / dt) + 1):
        path.append(place)
        push = rng.gauss(0.0, sqrt(density * dt))
        place += speed * dt + push * dt / 2.0
        speed += push
    return path
