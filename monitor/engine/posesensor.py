"""One sensor of the pose: what it has said since the last residual test, and what is held against it."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, isinf

from monitor.engine.algebra import dot
from monitor.engine.channels import ChannelState
from monitor.engine.integrity import Seen
from monitor.engine.kalman import TripleFilter
from monitor.engine.mounts import GroundMount, LoadMount, Mount, WireMount
from monitor.rig.schema import HeightSensor

TOGETHER_NS = 250_000_000
"""Two channels held back within this time have moved together."""
_FADES = 0.8
"""Share of what was gathered that a later block leaves: some two seconds are looked back on, so that what blocks have in common
(zero, scale, lateness) adds up to no more than five times itself (our own choice)."""
_UNEVEN = 1.5
"""Share by which the variance of a block's mean grows because sensors do not speak at the same moments."""
_LATE_S, _SCALE = 0.06, 0.002
"""What the residual test forgives: sensors that speak so late, and scales that are so far off (common practice, no source)."""


@dataclass(slots=True)
class PoseSensor:
    """One row of the pose, what it has said since the last residual test, and what is held against it."""

    name: str
    state: ChannelState
    mount: Mount
    zero_variance: float = 0.0
    """What the zero's error adds to its innovations: its own share less what the pose has taken over of it."""
    held: int = 0
    held_at_ns: int = -TOGETHER_NS
    accepted_ns: int = -1
    agrees_since_ns: int | None = None
    doubt: float = 0.0
    """Variance added to its readings while it is one of a pair that disagrees."""
    count: int = 0
    total: float = 0.0
    squares: float = 0.0
    drawn: bool = False
    """Whether the sensors agreed badly already when it was first held back: another may have drawn the pose away from it."""
    without: float = 0.0
    """Chi-square that would be left without it, gathered over the blocks in a row that agree badly, older ones counting less."""

    @property
    def fused(self) -> bool:
        """Whether its readings go into the pose at all."""
        return self.state.baseline is not None and not self.state.excluded

    @property
    def variance(self) -> float:
        """Variance of one reading, in the pose's own terms: what the calibration leaves uncertain counts against its weight."""
        state = self.state
        if state.curve is None:
            return state.variance + self.doubt
        return state.variance + self.doubt + state.calibration_sd_since_zero**2

    def forget(self) -> None:
        """Begin a new block."""
        self.count, self.total, self.squares = 0, 0.0, 0.0

    def gather(self, left: float | None) -> None:
        """Take what one block would leave without it; None where the others would see too little."""
        self.without = inf if left is None else left + (0.0 if isinf(self.without) else _FADES * self.without)

    def seen(self, now: TripleFilter) -> Seen:
        """What it has said in this block, and how sure that is: noise, zero, and what the test forgives."""
        z, a, b = now.x[:3]
        h, moved = self.mount.see(z, a, b)
        rate = dot(h, (now.x[3], now.x[4], now.x[5]))
        mean, r = self.total / self.count, self.state.sd**2
        if self.count > 2:
            r = max(r, (self.squares - self.count * mean * mean) / (self.count - 1))
        base = self.state.baseline
        forgiven = (_LATE_S * rate) ** 2 + (_SCALE * moved) ** 2 + self.state.calibration_sd_since_zero**2
        return Seen(h, mean, r / self.count + r / (base.count if base else 1) + forgiven)

    def seen_jump(self, now: TripleFilter) -> Seen:
        """The same, where only what has changed since the block began counts: zero, lateness and scale are as before."""
        z, a, b = now.x[:3]
        return Seen(self.mount.see(z, a, b)[0], self.total / self.count, _UNEVEN * self.state.sd**2 / self.count)


def mount_of(it: HeightSensor) -> Mount:
    """How a height sensor sees the pose."""
    if it.mount == "wire" and it.anchor is not None:
        return WireMount(it.at, it.height, it.anchor)
    return (GroundMount if it.mount == "ground" else LoadMount)(it.at, it.height)
