"""When a look of a rule has anything to look at: what is the matter at one moment, asked once a tick, whatever the place.

While the occasion that a look waits for is not given, it finds nothing anywhere that begins an alarm or is unknown, and need
not be taken. An alarm that ever sounded is looked at all the same, since it is to clear.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import NamedTuple

from monitor.engine import ahead, conditions, crew, instrument, lowering, resting, turning
from monitor.engine.conditions import WORKS, Outcome, Scene


class Occasions(NamedTuple):
    """Which occasions are given: `stop` anyone's STOP stands; `trouble` with the monitor itself; `alarms` rose in the last ten
    minutes; `port` not every port is known to be up; `asked` whether a bag was taken off its line; `crib` one is packed;
    `venting` bags vent; `lifting` the load is lifted; `worked` the step fills bags or lets them down; `people` are to work at
    the load; `counted` every cylinder has a gauge, and a plan is worked; `hinge` the plan names one; `ground` its bearing is
    given; `stacks` there are several."""

    stop: bool
    trouble: bool
    alarms: bool
    port: bool
    asked: bool
    crib: bool
    venting: bool
    lifting: bool
    worked: bool
    people: bool
    counted: bool
    hinge: bool
    ground: bool
    stacks: bool


def given(scene: Scene) -> Occasions:
    """Those of this moment."""
    picture, facts = scene.picture, scene.facts
    step = "" if scene.step is None else scene.step.do
    return Occasions(
        picture.stop_called is not None,
        bool(scene.notices),
        scene.raises > 0,
        [port.up for port in picture.ports].count(True) < len(picture.ports),
        bool(picture.questions),
        bool(scene.cribs),
        scene.descent is not None,
        scene.lifting(),
        step in WORKS,
        step == "work",
        facts.gauged and step != "",
        facts.hinged,
        facts.grounded,
        len(picture.stacks) > 1,
    )


WAITS_FOR: Mapping[Callable[[Scene, str], Outcome], str] = {
    instrument.stop_called: "stop",
    instrument.recorder: "trouble",
    instrument.behind_time: "trouble",
    instrument.flood: "alarms",
    instrument.link_lost: "port",
    turning.cross_tilt: "hinge",
    turning.cross_tilt_with_bound: "hinge",
    conditions.bag_order: "worked",
    conditions.bag_early: "worked",
    conditions.shore_air_low: "lifting",
    resting.ground_limit: "ground",
    resting.crib_limit: "crib",
    ahead.uneven: "stacks",
    ahead.air_short: "counted",
    crew.gauge_gone: "asked",
    lowering.not_held: "people",
    lowering.hung_on_shores: "venting",
    lowering.lower_not_freed: "venting",
}
"""What each look waits for, an occasion by its name. A look that is not named has something to look at at any time."""
