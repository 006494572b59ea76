"""Tilt and cross-tilt up to a share that nobody listens to: nothing is said of less, and all of what is more. All invented."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from math import inf, radians, sin

import pytest

from monitor.engine import turning
from monitor.engine.conditions import Measured, Scene
from monitor.engine.engine import Engine
from monitor.engine.rules import RULES
from replay.entries import Tick
from tests.monitor.engine.test_conditions_units import pose

LOOKS = turning.tilt, turning.tilt_with_bound, turning.cross_tilt, turning.cross_tilt_with_bound
SHARES = sorted({rule.set_at for rule in RULES if rule.look in LOOKS})
STEEP, SDS, LIES = (0.3, 0.7, 0.79, 0.9, 0.97, 1.05), (1e-6, 1e-3, 0.02), (0.0, 0.01, 0.15, 0.19, 0.21)
"""Shares of the limit, standard deviations, and what a lie may hide, as shares of the limit: more than 0.2 is not counted."""


@pytest.fixture
def scene(rig) -> Scene:
    engine = Engine(rig)
    return engine._scene(engine.tick(Tick(0)), None, 0)


@pytest.mark.parametrize("look", LOOKS)
def test_what_nobody_listens_to_is_not_said_and_what_is_more_is_said_whole(scene, look):
    across = look in LOOKS[:2]
    limit = radians(12.0 if across else 2.0)
    said = 0
    for steep, sd, lie, above in product(STEEP, SDS, LIES, SHARES):
        way, hidden = sin(steep * limit), lie * limit
        seen = pose(way, 0.0, sd, ((0.0, hidden, 0.0),)) if across else pose(0.0, way, sd, ((0.0, 0.0, hidden),))
        whole = look(replace(scene, pose=seen), "load")
        assert isinstance(whole, Measured)
        listening = replace(scene, pose=seen)
        listening.above = above
        it = look(listening, "load")
        said += it is not None
        if whole.share <= above:
            assert it is None
        else:
            assert (it.share, it.what, it.evidence) == (whole.share, whole.what, whole.evidence)
        listening.above = -inf
        assert look(listening, "load").share == whole.share, "asked again in the same tick"
    assert 0 < said < len(STEEP) * len(SDS) * len(LIES) * len(SHARES)


def test_a_share_met_exactly_is_not_more(scene):
    seen = replace(scene, pose=pose(sin(radians(9.0)), 0.0, 1e-3))
    seen.above = turning.tilt(seen, "load").share
    assert turning.tilt(seen, "load") is None
