"""When a look of a rule has anything to look at: small pure questions to the scene, each asked once a tick, whatever the place.

While one is answered no, none of its looks finds anything that begins an alarm or is unknown: they need not be taken. An
alarm that ever sounded is looked at all the same, since it is to clear.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from monitor.engine import ahead, conditions, crew, instrument, lowering, resting, turning
from monitor.engine.conditions import WORKS, Outcome, Scene


def stop_is_called(scene: Scene) -> bool:
    """Anyone's STOP stands."""
    return scene.picture.stop_called is not None


def troubled(scene: Scene) -> bool:
    """Something is wrong with the monitor itself."""
    return bool(scene.notices)


def alarms_rose(scene: Scene) -> bool:
    """There were alarms in the last ten minutes."""
    return scene.raises > 0


def ports_are_down(scene: Scene) -> bool:
    """Not every port is known to be up."""
    ports = scene.picture.ports
    return [port.up for port in ports].count(True) < len(ports)


def hinged(scene: Scene) -> bool:
    """The plan names a hinge."""
    return scene.facts.hinged


def on_ground(scene: Scene) -> bool:
    """The rig file says what the ground bears."""
    return scene.facts.grounded


def side_by_side(scene: Scene) -> bool:
    """There is more than one stack."""
    return len(scene.picture.stacks) > 1


def air_is_counted(scene: Scene) -> bool:
    """A plan is worked, and every cylinder has a gauge."""
    return scene.step is not None and scene.facts.gauged


def bags_are_worked(scene: Scene) -> bool:
    """The step fills bags or lets them down."""
    return scene.step is not None and scene.step.do in WORKS


def people_work(scene: Scene) -> bool:
    """The step is work at the load."""
    return scene.step is not None and scene.step.do == "work"


def lets_down(scene: Scene) -> bool:
    """Bags vent."""
    return scene.descent is not None


def lifting(scene: Scene) -> bool:
    """A bag takes air or the load goes up."""
    return scene.lifting()


def asked_for_isolation(scene: Scene) -> bool:
    """It is asked whether a bag was taken off its line."""
    return bool(scene.picture.questions)


def cribbed(scene: Scene) -> bool:
    """Cribbing is marked as packed."""
    return bool(scene.cribs)


OCCASIONS: Mapping[Callable[[Scene, str], Outcome], Callable[[Scene], bool]] = {
    instrument.stop_called: stop_is_called,
    instrument.recorder: troubled,
    instrument.behind_time: troubled,
    instrument.flood: alarms_rose,
    instrument.link_lost: ports_are_down,
    turning.cross_tilt: hinged,
    turning.cross_tilt_with_bound: hinged,
    conditions.bag_order: bags_are_worked,
    conditions.bag_early: bags_are_worked,
    conditions.shore_air_low: lifting,
    resting.ground_limit: on_ground,
    resting.crib_limit: cribbed,
    ahead.uneven: side_by_side,
    ahead.air_short: air_is_counted,
    crew.gauge_gone: asked_for_isolation,
    lowering.not_held: people_work,
    lowering.hung_on_shores: lets_down,
    lowering.lower_not_freed: lets_down,
}
"""What each look waits for. A look that is not named has something to look at at any time."""
