"""What the crew does beside what was agreed: the checklist, the step of the plan, a bag off its hose.

Conditions like those of conditions.py. Which bag is filled out of turn, and which too early, is theirs to say: bag_order
and bag_early.
"""

from __future__ import annotations

from monitor.engine.conditions import RISEN_M, Measured, Outcome, Scene, Unknown, no_air
from monitor.engine.picture import StackPicture
from monitor.rig.schema import Rig

_FILLED = 0.05
"""Share of the working pressure from which on a bag counts as filled."""
_CARRY_OVER_NS = 5_000_000_000
"""A stack that was already moving when a step began may take this long to be stopped; as for bag_order."""

_MOVES = ("filling", "venting")
_ALLOWED = {"fill": ("filling",), "lower": _MOVES, "vent": ("venting",)}
"""What a step has the crew do with bags; nothing in any other. Lowering begins with the touch of rise that frees locks."""


def unticked(scene: Scene, _: str) -> Outcome:
    """A lift is begun, by its rise or by air in a bag, with items of the checklist open.

    Watched only where the rig file has a checklist of its own or somebody has ticked an item: a crew that keeps its list on
    paper is not told that it has none. The usual list is shown in either case.
    """
    items = scene.picture.checklist
    count = [it.ticked_ns for it in items].count(None)
    if scene.picture.zero.taken_ns is None or (count == len(items) and not scene.rig.checklist):
        return None
    if not count:
        return Measured(0.0, "", {"open": 0.0})
    bags = [bag for stack in scene.picture.stacks for bag in stack.bags]
    rise = scene.picture.load.rise_m
    filled = any(bag.doing == "filling" or (bag.use or 0.0) > _FILLED for bag in bags)
    if rise is None and not filled:
        return scene.no_pose()
    begun = filled or (rise or 0.0) > RISEN_M
    still = [it for it in items if it.ticked_ns is None]
    return Measured(
        2.0 * begun,
        lambda: f"{len(still)} of {len(items)} open, first: {still[0].item}",
        {"open": float(len(still)), "first": still[0].item},
    )


def out_of_step(scene: Scene, bag: str) -> Outcome:
    """A bag is filled or vented, and the step has none of that; or the plan is at its end, and the load still up or going up.

    What a stack was doing when the step began may go on for a moment. Venting a bag that was filled out of turn puts that
    right. Once the load rests after the plan, its bags may be emptied.
    """
    if scene.picture.zero.taken_ns is None or not scene.picture.steps:
        return None
    step = scene.step
    over = step is None and scene.picture.steps[-1].ended_ns is not None and not scene.picture.abandoned
    if step is None and not over:
        return None
    doing = scene.bag(bag).doing
    if doing == "unknown":
        return Unknown(f"pressure in {bag} not known", (scene.facts.gauges[bag],))
    if doing not in _MOVES and scene.above >= 0.0:
        return None
    where = "plan ended" if step is None else f"in {step.do}"
    moved = doing in _MOVES and not no_air(scene)
    wrong = moved and bag not in scene.moving_over and not _fits(scene, bag, doing)
    number = scene.picture.step.number if scene.picture.step else None
    return Measured(
        2.0 * wrong, lambda: f"{doing} {where}", {"doing": doing, "step": None if number is None else float(number)}
    )


def gauge_gone(scene: Scene, bag: str) -> Outcome:
    """A carrying bag's gauge fell to nothing, and nobody has said since that the bag was isolated.

    While it is only just asked, the crew may be about to say so; a coupling that came off and a bag that burst while shores
    hold the load look the same.
    """
    since_ns = next((question.since_ns for question in scene.picture.questions if question.about == bag), None)
    asked_s = None if since_ns is None else (scene.picture.time_ns - since_ns) / 1e9
    return Measured(2.0 * (asked_s is not None), "fell to nothing at once, not isolated", {"asked_s": asked_s})


def _fits(scene: Scene, bag: str, doing: str) -> bool:
    step = scene.step
    if step is None:
        stack = next(s for s in scene.picture.stacks if any(b.name == bag for b in s.bags))
        return doing == "venting" and (stack.rise_m is None or stack.rise_m < RISEN_M)
    put_right = step.do == "fill" and step.bag != bag and bag in scene.begun
    return doing in _ALLOWED.get(step.do, ()) or put_right


class MovingOver:
    """Which bags belong to stacks that were moving when the present step began, and have not stood still since."""

    def __init__(self, rig: Rig) -> None:
        self._bags = {stack.name: frozenset(bag.name for bag in stack.bag) for stack in rig.stack}
        self._step: int | None = None
        self._since_ns = 0
        self._before: frozenset[str] = frozenset()
        self._over: frozenset[str] = frozenset()

    def tick(self, now_ns: int, step: int | None, stacks: tuple[StackPicture, ...]) -> frozenset[str]:
        """The bags. `step`: number of the step being worked, None outside the plan."""
        now: frozenset[str] = frozenset()
        for stack in stacks:
            for bag in stack.bags:
                if bag.doing in _MOVES:
                    now |= self._bags[stack.name]
                    break
        if step != self._step:
            self._step, self._since_ns, self._over = step, now_ns, self._before
        self._over = self._over & now if now_ns - self._since_ns <= _CARRY_OVER_NS else frozenset()
        self._before = now
        return self._over
