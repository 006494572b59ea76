"""Conditions asked as the watch asks them: it says up to which share nobody listens, and what is more must still be said whole."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from math import inf, nextafter
from types import ModuleType

from monitor.engine.conditions import Measured, Outcome, Scene
from monitor.engine.rules import RULES

LIMITS = {look: sorted({rule.set_at for rule in RULES if rule.look is look}) for look in {rule.look for rule in RULES}}
"""Of every condition, the limits of the rows it stands in."""


def listened(look: Callable[[Scene, str], Outcome]) -> Callable[[Scene, str], Outcome]:
    """A condition that says what it says where all is listened to, and holds at every call that it says the same else."""

    @wraps(look)
    def asked(scene: Scene, about: str) -> Outcome:
        whole = look(scene, about)
        less = [
            0.0,
            *LIMITS[look],
            *([whole.share, nextafter(whole.share, -inf)] if isinstance(whole, Measured) else []),
        ]
        for scene.above in less:
            it = look(scene, about)
            quiet = isinstance(whole, Measured) and whole.share <= scene.above
            assert it == whole or (quiet and it is None), (look, about, scene.above)
        scene.above = -inf
        return whole

    return asked


class Listened:
    """A module of the engine whose conditions are all asked so."""

    def __init__(self, module: ModuleType) -> None:
        self._module = module

    def __getattr__(self, name: str):
        it = getattr(self._module, name)
        return listened(it) if callable(it) and it in LIMITS else it
