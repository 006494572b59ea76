"""The venting that goes on and the touch of rise before it, tick by tick from hand-made pictures. All invented.

Four ticks a second. The example's stack is 4.2 m from the hinge; the push of one stack is as a share what its force is.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.engine.descent import Descent, Lowering
from monitor.engine.engine import Engine
from monitor.rig.schema import Rig
from replay.entries import Tick

S = 1_000_000_000
HZ = 4


class Played:
    """A rig of pictures at rest, moved on by forces, rises and what the lower bag does."""

    def __init__(self, rig: Rig) -> None:
        picture = Engine(rig).tick(Tick(0))
        self.stacks, self.shores = picture.stacks, picture.shores
        self.lowering, self.count = Lowering(rig), 0

    @property
    def now_ns(self) -> int:
        return self.count * S // HZ

    def tick(self, force: float | None = 100.0, doing: str = "holding", rise: float | None = 0.1) -> Descent | None:
        """One tick; of the stacks only the first moves."""
        first, *others = self.stacks
        low, high = first.bags
        first = replace(
            first, force_n=force, rise_m=rise, bags=(replace(low, doing=doing), replace(high, doing="resting"))
        )
        others = [replace(s, bags=tuple(replace(b, doing="resting") for b in s.bags)) for s in others]
        seen = self.lowering.tick(self.now_ns, (first, *others))
        self.count += 1
        return seen

    def play(self, seconds: float, *args, **kwargs) -> Descent | None:
        for _ in range(round(seconds * HZ)):
            seen = self.tick(*args, **kwargs)
        return seen


@pytest.fixture
def it(rig: Rig) -> Played:
    return Played(rig)


def share(seen: Descent | None) -> float | None:
    return None if seen is None else seen.push


def test_nothing_is_let_down_while_bags_hold(it):
    assert it.play(10.0) is None


def test_a_venting_begins_with_it_and_tells_what_is_left_of_the_push(it):
    it.play(5.0)
    began = it.now_ns
    assert it.tick(100.0, "venting") == Descent(began, 1.0)
    assert it.tick(60.0, "venting") == Descent(began, pytest.approx(0.6))
    assert it.tick(None, "venting") == Descent(began, None)
    assert it.tick(50.0, "holding") == Descent(began, pytest.approx(0.5))


def test_without_a_push_that_stood_the_share_is_not_known(it):
    it.play(11 / HZ)  # eleven looks: one too few
    assert it.tick(None, "venting") == Descent(it.now_ns - S // HZ, None)


def test_a_push_that_stood_for_twelve_looks_counts(it):
    it.play(12 / HZ)
    assert share(it.tick(50.0, "venting")) == pytest.approx(0.5)


def test_a_spike_counts_for_nothing(it):
    it.play(4.0)
    it.tick(300.0)
    it.play(1.0)
    assert share(it.tick(100.0, "venting")) == 1.0


def test_a_gauge_that_was_silent_begins_anew(it):
    it.play(2.0)
    it.tick(None)
    it.play(2.0)
    assert share(it.tick(50.0, "venting")) is None


@pytest.mark.parametrize(("force", "falls"), [(94.0, False), (93.9, True)])
def test_a_slow_vent_is_seen_by_what_the_push_has_lost(it, force, falls):
    it.play(4.0)
    seen = it.tick(force)
    assert (seen is not None) is falls
    if falls:
        assert share(seen) == pytest.approx(force / 100.0)


@pytest.mark.parametrize(("later", "falls"), [(4.75, True), (5.5, False)])
def test_a_push_is_compared_with_that_of_the_last_five_seconds(it, later, falls):
    it.play(3.0)  # 100 last stood for twelve looks at 2.75 s
    for _ in range(round(later * HZ)):
        seen = it.tick(95.0)
    assert seen is None
    assert (it.tick(93.0) is not None) is falls  # seven hundredths below 100, two below 95


@pytest.mark.parametrize(("rise", "falls"), [(0.1019, True), (0.1021, False)])
def test_a_load_that_has_gone_up_two_millimetres_is_not_let_down_from_there(it, rise, falls):
    it.play(3.0)
    it.play(1.5, 95.0, rise=rise)
    assert (it.tick(92.0, rise=rise) is not None) is falls


@pytest.mark.parametrize(("rise", "begins"), [(0.1009, True), (0.1011, False)])
def test_a_load_that_is_being_raised_is_not_let_down(it, rise, begins):
    it.play(4.0)
    assert (it.tick(90.0, "venting", rise=rise) is not None) is begins


@pytest.mark.parametrize(
    ("ago", "begins"), [(0.75, False), (1.0, True)]
)  # it began a tick before: one second, met exactly
def test_a_load_that_was_raised_more_than_a_second_ago_may_be_let_down(it, ago, begins):
    it.play(4.0)
    it.play(ago, rise=0.105)
    assert (it.tick(100.0, "venting", rise=0.105) is not None) is begins


def test_a_venting_that_pauses_for_two_seconds_goes_on(it):
    it.play(4.0)
    it.tick(100.0, "venting")
    for _ in range(2 * HZ):
        assert it.tick(95.0) is not None
    assert it.tick(95.0) is None


@pytest.mark.parametrize(("force", "over"), [(90.0, True), (89.0, False), (None, True)])
def test_a_venting_ends_when_the_bags_carry_the_load_again(it, force, over):
    it.play(4.0)
    it.play(1.0, 50.0, "venting")
    assert (it.play(2.25, force) is None) is over


@pytest.mark.parametrize(
    ("doing", "rise", "over"),
    [("filling", 0.0925, True), ("filling", 0.0915, False), ("holding", 0.0925, False)],
)
def test_a_venting_ends_when_the_load_is_raised_from_its_lowest(it, doing, rise, over):
    it.play(4.0)
    it.play(1.0, 50.0, "venting")
    it.play(1.0, 50.0, "venting", rise=0.090)
    assert (it.play(2.25, 50.0, doing, rise=rise) is None) is over


def test_a_rise_that_is_not_known_for_a_while_is_no_rise_from_the_ground(it):
    it.play(4.0)
    it.play(1.0, 50.0, "venting")
    it.play(1.0, 50.0, "venting", rise=None)
    assert it.play(2.25, 50.0, "filling") is not None  # a puff of air alone ends nothing


def test_a_venting_is_seen_at_once_when_the_rise_is_known_again(it):
    it.play(4.0)
    it.play(0.5, rise=None)
    assert share(it.tick(50.0, "venting")) == pytest.approx(0.5)


def test_after_a_venting_all_begins_anew(it):
    it.play(4.0)
    it.play(1.0, 100.0, "venting")
    assert it.play(2.25) is None
    assert share(it.tick(50.0, "venting")) is None  # nothing has stood since
    it.play(8.0, 50.0)
    assert share(it.tick(25.0, "venting")) == pytest.approx(0.5)


def test_a_stack_that_lifts_gives_no_push_where_its_force_is_not_known(it):
    it.play(4.0)
    assert it.tick(None, "venting") == Descent(it.now_ns - S // HZ, None)


def two_stacks(document: dict, hinge: object) -> Rig:
    """A second stack a third as far from the hinge."""
    if hinge is None:
        document["load"].pop("hinge")
    else:
        document["load"]["hinge"] = hinge
    rig = Rig.model_validate(document)
    first = rig.stack[0]
    return rig.model_copy(update={"stack": [first, first.model_copy(update={"name": "S2", "at": (1.4, 0.0)})]})


@pytest.mark.parametrize(
    ("hinge", "left"),
    [
        ([["0 m", "-1.25 m"], ["0 m", "1.25 m"]], 0.625),  # arms 4.2 and 1.4 m: (0.5 * 3 + 1) / 4
        ([["-1.4 m", "-1.25 m"], ["-1.4 m", "1.25 m"]], 2.0 / 3.0),  # 5.6 and 2.8 m: (0.5 * 2 + 1) / 3
        ([["-1 m", "-3.2 m"], ["3.2 m", "-7.4 m"]], 0.5 + 0.5 * 5.6 / 14.0),  # askew, (x + y + 4.2) / sqrt 2
        (None, 0.75),  # forces
    ],
)
def test_pushes_are_moments_about_the_hinge_or_forces(document, hinge, left):
    rig = two_stacks(document, hinge)
    lowering, stacks = Lowering(rig), Engine(rig).tick(Tick(0)).stacks

    def seen(now: int, force: float | None, doing: str, other: float | None = 100.0):
        first, second = (replace(s, force_n=f, rise_m=0.1) for s, f in zip(stacks, (force, other), strict=True))
        first = replace(first, bags=tuple(replace(b, doing=doing) for b in first.bags))
        second = replace(second, bags=tuple(replace(b, doing="resting") for b in second.bags))
        return lowering.tick(now, (first, second))

    for k in range(16):
        assert seen(k * S // HZ, 100.0, "holding") is None
    assert seen(4 * S, 50.0, "venting").push == pytest.approx(left)
    # A stack at rest gives nothing, which leaves half of the first's; one that works and has no force gives what nobody knows.
    assert seen(5 * S, 50.0, "venting", None).push == pytest.approx(1.0 - left)
    assert seen(6 * S, None, "venting").push is None


def touch(it: Played, seconds: float, step: int | None, gap: float | None, extension: float | None = 0.2):
    first, *others = it.shores
    for _ in range(round(seconds * HZ)):
        shores = (replace(first, gap_m=gap, extension_m=extension), *others)
        seen = it.lowering.touched(it.now_ns, step, shores)
        it.count += 1
    return [shore.touch_m for shore in seen]


def test_outside_a_step_that_lowers_nothing_is_touched(it):
    assert touch(it, 2.0, None, 0.001) == [None, None]


def test_a_touch_is_the_highest_mean_since_the_step_began(it):
    assert touch(it, 2.0, 3, 0.001) == [0.0, None]  # of the second shore nothing is known
    # 0.7 s hold three ticks of a quarter second: one of them 3 mm higher is a mean of 1 mm.
    assert touch(it, 0.25, 3, 0.004) == [pytest.approx(0.001), None]
    assert touch(it, 0.25, 3, 0.004, 0.203)[0] == pytest.approx(0.003)
    assert touch(it, 2.0, 3, 0.004)[0] == pytest.approx((3 + 6 + 3) / 3e3)
    assert touch(it, 2.0, 3, 0.0)[0] == pytest.approx(0.004)  # it was touched, down again or not
    assert touch(it, 1.0, 3, None)[0] == pytest.approx(0.004)
    assert touch(it, 1.0, 3, 0.0, None)[0] == pytest.approx(0.004)


def test_a_mean_is_over_seven_tenths_of_a_second_met_exactly(it):
    first, *others = it.shores
    for ms, gap, touched in ((0, 0.0, 0.0), (700, 0.004, 0.002), (1401, 0.004, 0.004)):
        shores = (replace(first, gap_m=gap, extension_m=0.2), *others)
        assert it.lowering.touched(ms * 1_000_000, 3, shores)[0].touch_m == pytest.approx(touched)


def test_each_step_is_touched_anew(it):
    touch(it, 2.0, 3, 0.001)
    assert touch(it, 2.0, 3, 0.004)[0] == pytest.approx(0.003)
    assert touch(it, 0.25, 4, 0.004)[0] == pytest.approx(0.0)
    assert touch(it, 2.0, 4, 0.006)[0] == pytest.approx(0.002)
