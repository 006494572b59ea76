"""The fall if all bags fail: worked examples, and the free fall against a linear programme."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linprog

from monitor.engine.fall import Support, fall_about_hinge, fall_free

WEST = (0.0, -1.25), (0.0, 1.25)  # a hinge 2.5 m long; invented, like every rig below
FAR = 9.0  # a rise that never limits


# --- about a hinge ---------------------------------------------------------------------------------------------------


def test_the_load_turns_down_to_the_first_support_that_holds_it():
    # 4.6 mm at 4.6 m from the hinge is one thousandth; at a head 4.2 m out that is 4.2 mm.
    supports = [Support((4.6, -1.0), 0.0092), Support((4.6, 1.0), 0.0046)]
    assert fall_about_hinge(WEST, (2.4, 0.0), supports, [((4.2, 0.0), 0.1)]) == pytest.approx(0.0042)


def test_a_support_with_no_room_or_less_holds_at_once():
    supports = [Support((4.6, 1.0), -0.002), Support((4.6, -1.0), 0.0)]
    assert fall_about_hinge(WEST, (2.4, 0.0), supports, [((4.2, 0.0), 0.1)]) == 0.0


def test_the_greatest_of_several_heads_counts():
    supports = [Support((4.0, 0.0), 0.004)]
    heads = [((4.2, 0.0), 0.1), ((4.5, 0.0), 0.1), ((1.0, 0.0), 0.1)]
    assert fall_about_hinge(WEST, (2.4, 0.0), supports, heads) == pytest.approx(0.0045)


def test_a_support_short_of_the_centre_of_gravity_is_a_see_saw():
    # The crib at 1 m is met first, but the weight is beyond it: the far shore stops the load, at 2 mm per metre.
    supports = [Support((1.0, 0.0), 0.001), Support((4.0, 0.0), 0.008)]
    assert fall_about_hinge(WEST, (2.4, 0.0), supports, [((3.0, 0.0), 0.1)]) == pytest.approx(0.006)


def test_a_see_saw_with_nothing_beyond_it_goes_to_the_ground():
    supports = [Support((1.0, 0.0), 0.001)]
    assert fall_about_hinge(WEST, (2.4, 0.0), supports, [((4.2, 0.0), 0.1), ((3.0, 0.0), 0.07)]) == 0.1


def test_a_see_saw_that_lifts_an_end_of_the_hinge_counts_where_it_brings_a_head_lower():
    # The weight lies outside hinge and first support, toward -y; the load then rests on the hinge's -y end, on (2, 1) and
    # on (4.6, -1). By barycentric coordinates a head at (4.2, -1.2) then shares 0.9492 of the last one's room; turning
    # about the whole hinge it would be 4.2/4.6 = 0.9130.
    supports = [Support((2.0, 1.0), 0.0), Support((4.6, -1.0), 0.01)]
    low = np.linalg.solve([[1, 1, 1], [0, 2, 4.6], [-1.25, 1, -1]], [1, 4.2, -1.2])[2]
    assert low == pytest.approx(0.9492, abs=1e-4)
    assert fall_about_hinge(WEST, (3.0, -0.5), supports, [((4.2, -1.2), 0.1)]) == pytest.approx(0.01 * low)


def test_a_support_right_under_the_weight_is_not_enough():
    # On the edge of what holds it the load rocks on that support: it goes on to the next.
    supports = [Support((2.4, 0.0), 0.0), Support((4.0, 0.0), 0.008)]
    assert fall_about_hinge(WEST, (2.4, 0.0), supports[:1], [((3.0, 0.0), 0.1)]) == 0.1
    assert fall_about_hinge(WEST, (2.4, 0.0), supports, [((3.0, 0.0), 0.1)]) == pytest.approx(0.006)


def test_supports_beyond_the_hinge_hold_nothing():
    supports = [Support((-1.0, 0.0), 0.0)]
    assert fall_about_hinge(WEST, (2.4, 0.0), supports, [((4.2, 0.0), 0.1)]) == 0.1


def test_the_centre_of_gravity_may_lie_on_either_side_of_the_hinge():
    supports = [Support((-4.0, 0.0), 0.004)]
    assert fall_about_hinge(WEST, (-2.0, 0.0), supports, [((-3.0, 0.0), 0.1)]) == pytest.approx(0.003)
    assert fall_about_hinge(WEST[::-1], (-2.0, 0.0), supports, [((-3.0, 0.0), 0.1)]) == pytest.approx(0.003)


@pytest.mark.parametrize("hinge", [((0.0, 0.0), (0.0, 0.0)), ((0.0, -1.0), (math.nan, 1.0)), WEST])
def test_a_hinge_that_is_no_line_or_lies_under_the_weight_gives_the_greatest_rise(hinge):
    supports = [Support((4.0, 0.0), 0.0)]
    heads = [((4.2, 0.0), 0.1), ((3.0, 0.0), 0.2)]
    assert fall_about_hinge(hinge, (0.0, 0.5) if hinge is WEST else (2.0, 0.0), supports, heads) == 0.2


def test_what_is_no_number_holds_nothing():
    supports = [Support((4.0, 0.0), math.nan), Support((math.inf, 0.0), 0.0)]
    assert fall_about_hinge(WEST, (2.0, 0.0), supports, [((4.2, 0.0), 0.1)]) == 0.1
    assert fall_free((2.0, 0.0), supports, [], [((4.2, 0.0), 0.1)]) == 0.1


def test_without_heads_nothing_drops():
    assert fall_about_hinge(WEST, (2.0, 0.0), [], []) == 0.0
    assert fall_free((0.0, 0.0), [], [], []) == 0.0


@given(
    weights=st.tuples(*[st.integers(1, 20)] * 3),
    room=st.integers(0, 100),
    x=st.integers(1, 60),
    y=st.integers(-30, 30),
    head=st.integers(0, 60),
    rise=st.integers(0, 200),
)
def test_one_support_with_the_weight_between_it_and_the_hinge(weights, room, x, y, head, rise):
    # The centre is made as a weighted mean of the three points, so that it lies inside them by construction.
    a, b, c = (w / sum(weights) for w in weights)
    centre = c * x * 0.1, (b - a) * 1.25 + c * y * 0.1
    fall = fall_about_hinge(
        WEST, centre, [Support((x * 0.1, y * 0.1), room * 1e-3)], [((head * 0.1, 0.3), rise * 1e-3)]
    )
    assert fall == pytest.approx(min(rise, room * head / x) * 1e-3, abs=1e-12)


# --- free: worked examples -------------------------------------------------------------------------------------------


def test_the_plane_through_three_supports():
    # The plane through (0, 0, 0.10), (2, 0, 0.12), (0, 1.5, 0.07) has the slopes +0.01 and -0.02 (trigonometry).
    supports = [Support((0, 0), 0.10), Support((2, 0), 0.12), Support((0, 1.5), 0.07)]
    for (x, y), drop in {(1.0, 0.5): 0.10, (3.0, -1.0): 0.15, (-1.0, 2.0): 0.05, (0.0, 6.0): 0.0}.items():
        assert fall_free((0.5, 0.4), supports, [], [((x, y), FAR)]) == pytest.approx(drop, abs=1e-12)


def test_the_weight_comes_down_by_the_rooms_shared_as_the_reactions_share_it():
    # Statics: 30 kN at (0.6, 0.5) on (0, 0), (2, 0), (0, 1.5) gives the reactions 11, 9 and 10 kN.
    supports = [Support((0, 0), 0.003), Support((2, 0), 0.006), Support((0, 1.5), 0.009)]
    drop = (11 * 0.003 + 9 * 0.006 + 10 * 0.009) / 30
    assert fall_free((0.6, 0.5), supports, [], [((0.6, 0.5), FAR)]) == pytest.approx(drop)


def test_less_than_no_room_is_no_room():
    # From 20 mm at x = -1 to none at x = 1: 40 mm at x = -3. A reading of -20 mm must not tip it further.
    supports = [Support((-1, 1), 0.02), Support((-1, -1), 0.02), Support((1, 0), -0.02)]
    assert fall_free((0.0, 0.0), supports, [], [((-3.0, 0.0), FAR)]) == pytest.approx(0.04)
    resting = [(s.at, s.room_m) for s in supports]
    assert fall_free((0.0, 0.0), [], resting, [((-3.0, 0.0), FAR)]) == pytest.approx(0.04)


def test_a_load_with_no_support_falls_back_to_where_it_lay():
    corners = [((x, y), 0.05 + 0.01 * x) for x in (0.0, 4.0) for y in (-1.0, 1.0)]
    assert fall_free((2.0, 0.0), [], corners, [((3.0, 0.0), 0.08)]) == pytest.approx(0.08)


def test_one_support_off_the_centre_tilts_the_load_over_it():
    # Lifted level by 100 mm, a crib with no room under (3, 0): the load turns over it until the west edge lies on the
    # ground, and the east edge stands up: 100 mm over 3 m, so 67 mm at the stack at 1 m.
    corners = [((x, y), 0.1) for x in (0.0, 4.0) for y in (-1.0, 1.0)]
    heads = [((1.0, 0.0), 0.1)]
    assert fall_free((2.0, 0.0), [Support((3.0, 0.0), 0.0)], corners, heads) == pytest.approx(0.1 * 2 / 3)


def test_a_table_with_one_short_leg_rocks_and_the_lower_side_counts():
    # Three legs touch, the fourth has 8 mm: with the weight in the middle it may stand on either three.
    legs = [Support((1, 1), 0.0), Support((-1, -1), 0.0), Support((-1, 1), 0.0), Support((1, -1), 0.008)]
    assert fall_free((0.0, 0.0), legs, [], [((1.0, -1.0), FAR)]) == pytest.approx(0.008)
    assert fall_free((-0.1, 0.1), legs, [], [((1.0, -1.0), FAR)]) == 0.0
    assert fall_free((0.1, -0.1), legs, [], [((1.0, -1.0), FAR)]) == pytest.approx(0.008)


@pytest.mark.parametrize("turn", [0.1, 0.3, 1.0, 2.0, 3.0])
def test_it_rocks_as_well_where_rounding_puts_the_weight_beside_the_line(turn):
    def turned(x, y):
        return 0.7 + math.cos(turn) * x - math.sin(turn) * y, 0.1 + math.sin(turn) * x + math.cos(turn) * y

    rooms = {(1, 1): 0.0, (-1, -1): 0.0, (-1, 1): 0.0, (1, -1): 0.008, (0.5, 0.5): 0.003}
    legs = [Support(turned(*at), room) for at, room in rooms.items()]
    assert fall_free(turned(0, 0), legs, [], [(turned(1, -1), FAR)]) == pytest.approx(0.008)
    assert fall_free(turned(0, 0), legs, [], [(turned(-2, 2), FAR)]) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(
    "points",
    [
        [],
        [(0, 0)],
        [(-1, 0), (1, 0)],
        [(-1, 0), (0, 0), (1, 0), (2, 0)],  # on a line
        [(1, 1), (1, 1), (1, 1)],  # all in one place
        [(1, -1), (1, 1), (3, 0)],  # the weight outside
        [(0, -1), (0, 1), (3, 0)],  # the weight on the edge: over at a touch
        [(0, 0), (3, 1), (3, -1)],  # the weight on a corner
    ],
)
def test_what_cannot_hold_the_weight_lets_it_go_over(points):
    supports = [Support(point, 0.001) for point in points]
    heads = [((0.5, 0.0), 0.1), ((0.0, 0.5), 0.06)]
    assert fall_free((0.0, 0.0), supports, [], heads) == 0.1


def test_a_drop_is_never_more_than_the_rise():
    supports = [Support((1, 1), 0.5), Support((-1, 1), 0.5), Support((0, -1), 0.5)]
    assert fall_free((0.0, 0.0), supports, [], [((0.0, 0.0), 0.03)]) == 0.03


def test_one_more_support_may_bring_a_head_further_down():
    # Not true that a support always helps: it holds the weight up (below), and may tip the load at a head beyond it.
    three = [Support((-1, 1), 0.02), Support((-1, -1), 0.02), Support((1, 0), 0.02)]
    head = [((1.5, 0.0), FAR)]
    assert fall_free((0.0, 0.0), three, [], head) == pytest.approx(0.02)
    # A crib with no room at (-0.5, 0): the load turns over it on to (1, 0), at 20 mm in 1.5 m.
    assert fall_free((0.0, 0.0), [*three, Support((-0.5, 0.0), 0.0)], [], head) == pytest.approx(0.04 / 1.5)


# --- free: against a linear programme --------------------------------------------------------------------------------

grid = st.tuples(st.integers(-5, 5), st.integers(-5, 5))
near = st.tuples(st.integers(-1, 1), st.integers(-1, 1))
spots = st.lists(st.tuples(grid, st.integers(0, 60)), min_size=3, max_size=9)


def strictly_inside(centre, points) -> bool:
    """Whether the centre is a mean of all points with weights all above zero, and the points span the plane."""
    if len(points) < 3 or np.linalg.matrix_rank(np.array(points[1:]) - np.array(points[0])) < 2:
        return False
    n = len(points)
    equal = np.array([[*(p[0] for p in points), 0.0], [*(p[1] for p in points), 0.0], [1.0] * n + [0.0]])
    least = np.hstack([-np.eye(n), np.ones((n, 1))])
    found = linprog(
        [0.0] * n + [-1.0], A_ub=least, b_ub=[0.0] * n, A_eq=equal, b_eq=[*centre, 1.0], bounds=(None, None)
    )
    return found.status == 0 and -found.fun > 1e-6


def lowest(centre, points, at):
    """(drop of the centre, lowest drop at `at` among all such planes): a linear programme in (z, slopes)."""
    a = [[1.0, p[0], p[1]] for p, _ in points]
    b = [float(room) for _, room in points]
    over = [1.0, *centre]
    first = linprog(-np.array(over), A_ub=a, b_ub=b, bounds=(None, None))
    second = linprog(-np.array([1.0, *at]), A_ub=a, b_ub=b, A_eq=[over], b_eq=[-first.fun], bounds=(None, None))
    assert first.status == second.status == 0
    return -first.fun, -second.fun


@given(points=spots, centre=near, at=grid)
def test_the_free_fall_is_the_lowest_energy_over_all_planes_that_clear_every_point(points, centre, at):
    supports = [Support(p, room * 1e-3) for p, room in points[::2]]
    resting = [(p, room * 1e-3) for p, room in points[1::2]]
    fall = fall_free(centre, supports, resting, [(at, FAR)])
    if not strictly_inside(centre, [p for p, _ in points]):
        assert fall == FAR
        return
    z, low = lowest(centre, points, at)
    assert fall == pytest.approx(max(0.0, low) * 1e-3, abs=1e-6)
    assert fall_free(centre, supports, resting, [(centre, FAR)]) == pytest.approx(z * 1e-3, abs=1e-6)


@given(points=spots, extra=st.tuples(grid, st.integers(0, 60)), centre=near)
def test_one_more_support_never_brings_the_weight_further_down(points, extra, centre):
    before = [Support(p, room * 1e-3) for p, room in points]
    head = [(centre, 0.1)]
    more = fall_free(centre, [*before, Support(extra[0], extra[1] * 1e-3)], [], head)
    assert more <= fall_free(centre, before, [], head) + 1e-9


@given(points=spots, centre=st.tuples(st.integers(1, 3), st.integers(-2, 2)), at=grid)
def test_the_fall_about_a_hinge_is_never_less_than_that_of_the_free_load_on_hinge_and_supports(points, centre, at):
    hinge = (0, -4), (0, 4)
    points = [(p, room) for p, room in points if p[0] > 0]
    fall = fall_about_hinge(hinge, centre, [Support(p, room * 1e-3) for p, room in points], [(at, FAR)])
    on = [*points, (hinge[0], 0), (hinge[1], 0)]
    if not strictly_inside(centre, [p for p, _ in on]):
        assert fall == FAR
        return
    assert fall >= lowest(centre, on, at)[1] * 1e-3 - 1e-6


@given(points=spots, centre=near, at=grid, turn=st.floats(0, 2 * math.pi), shift=st.floats(-10, 10))
def test_the_fall_does_not_depend_on_where_the_axes_lie(points, centre, at, turn, shift):
    def moved(p):
        (x, y), c, s = p, math.cos(turn), math.sin(turn)
        return c * x - s * y + shift, s * x + c * y - 2 * shift

    off = (
        centre[0] + 0.0131,
        centre[1] + 0.0072,
    )  # on no line through two points of the grid: no tie for rounding to break
    hinge = (0.0, -4.0), (0.0, 4.0)
    here = [Support(p, room * 1e-3) for p, room in points]
    there = [Support(moved(p), room * 1e-3) for p, room in points]
    free = fall_free(off, here, [], [(at, 0.5)])
    assert fall_free(moved(off), there, [], [(moved(at), 0.5)]) == pytest.approx(free, abs=1e-7)
    turned = fall_about_hinge(hinge, off, here, [(at, 0.5)])
    ends = moved(hinge[0]), moved(hinge[1])
    assert fall_about_hinge(ends, moved(off), there, [(moved(at), 0.5)]) == pytest.approx(turned, abs=1e-7)
