"""A virtual shore that locks in steps as it follows the load: what its air pushes, and what goes wrong with it."""

from __future__ import annotations

from dataclasses import dataclass
from math import floor

from monitor.rig.schema import Shore

FOLLOW_AT_LEAST = 0.5
"""Share of its follow pressure below which a shore's air no longer extends it (invented)."""

FREE_N = 50.0
"""A lock that carries no more than this comes free when its release is held (invented): friction holds it otherwise."""


@dataclass
class TrueShore:
    """One shore: how far it has extended since the zero, its air, what it carries, and what is wrong with it.

    `carried` (N) is what its lock holds, over what its air pushes. `held`: somebody holds its release; `released` is whether
    the lock has come free, which no hand brings about while it carries load: that takes a touch of rise.
    """

    shore: Shore
    extension: float = 0.0
    air: float = 0.0
    carried: float = 0.0
    stuck: bool = False
    held: bool = False
    released: bool = False

    def __post_init__(self) -> None:
        self.air = self.shore.follow_pressure

    @property
    def following(self) -> bool:
        """Whether its air holds its head against the load."""
        return not self.stuck and self.air >= FOLLOW_AT_LEAST * self.shore.follow_pressure

    @property
    def thrust(self) -> float:
        """What its air pushes (N); nothing where the head does not follow."""
        return self.air * self.shore.piston_area if self.following else 0.0

    def release(self) -> None:
        """Hold its release: it comes free as soon as it carries nothing."""
        self.held = True

    def lock(self) -> None:
        """Let go of its release: it locks where it is."""
        self.held = self.released = False

    def drop(self, by: float) -> None:
        """Let its lock give way by so much (m): it jams there, and no longer follows."""
        self.extension, self.stuck = self.extension - by, True

    def follow(self, rise: float) -> None:
        """Let it follow the load, whose rise at its head is given: up in steps of its lock pitch; down if released."""
        if self.held and self.carried <= FREE_N:
            self.released = True
        if not self.following:
            return
        if self.released:
            self.extension = max(0.0, rise)
        else:
            pitch = self.shore.lock_pitch
            self.extension = max(self.extension, pitch * floor(rise / pitch + 1e-9))
