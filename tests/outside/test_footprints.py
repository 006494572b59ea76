"""What holds a load up and what does not: the fall's geometry against shapely's hulls."""

import math

from hypothesis import assume, given, settings
from hypothesis import strategies as st
from shapely import MultiPoint, Point, Polygon

from monitor.engine.fall import Support, fall_about_hinge, fall_free

ACROSS = st.floats(-5.0, 5.0)
PLACE = st.tuples(ACROSS, ACROSS)
ASIDE = st.tuples(st.one_of(st.floats(-5.0, -0.01), st.floats(0.01, 5.0)), ACROSS)
"""Beside a hinge along the y axis."""
AWAY = 1e-6
"""Metres from an edge within which either answer is right."""


def holds(points, centre):
    """Whether the hull of the points has the centre strictly inside, by shapely; None for one on its edge."""
    hull, at = MultiPoint(points).convex_hull, Point(centre)
    if not isinstance(hull, Polygon):
        return None if hull.distance(at) < AWAY else False
    return None if hull.exterior.distance(at) < AWAY else hull.contains(at)


@settings(deadline=None)
@given(st.lists(PLACE, min_size=1, max_size=8), PLACE)
def test_a_free_load_stands_where_the_hull_of_its_supports_has_the_weight_inside(places, centre):
    falls = fall_free(centre, [Support(at, 0.0) for at in places], [], [((1.0, 2.0), 0.3)])
    assert falls in {True: {0.0}, False: {0.3}, None: {0.0, 0.3}}[holds(places, centre)]


@settings(deadline=None)
@given(st.lists(ASIDE, min_size=1, max_size=8), ASIDE)
def test_a_hinged_load_stands_where_hinge_and_supports_have_the_weight_inside(places, centre):
    hinge = (0.0, -1.5), (0.0, 1.5)
    beside = [at for at in places if at[0] * centre[0] > 0.0]  # turning down, it leaves what stands beyond the hinge
    heads = [((math.copysign(2.0, centre[0]), 0.0), 0.3)]
    falls = fall_about_hinge(hinge, centre, [Support(at, 0.0) for at in places], heads)
    assert falls in {True: {0.0}, False: {0.3}, None: {0.0, 0.3}}[holds([*hinge, *beside], centre)]


def anywhere(rng):
    return rng.uniform(-5.0, 5.0), rng.uniform(-5.0, 5.0)


@settings(deadline=None)
@given(st.randoms(use_true_random=False), st.integers(6, 12), st.floats(0.001, 0.2))
def test_equal_room_everywhere_is_the_fall_everywhere(rng, count, room):
    places = [anywhere(rng) for _ in range(count)]
    centre = tuple(math.fsum(axis) / count for axis in zip(*places, strict=True))
    assume(holds(places, centre))
    falls = fall_free(centre, [Support(at, room) for at in places], [], [((1.0, 2.0), 0.3), ((-4.0, 0.0), 0.3)])
    assert math.isclose(falls, room, rel_tol=1e-6, abs_tol=1e-9)


@settings(deadline=None)
@given(st.randoms(use_true_random=False))
def test_between_three_supports_the_fall_is_shared_by_areas(rng):
    # Barycentric coordinates: to each corner its share of the triangle, the part opposite to it; areas by shapely.
    corners, rooms = [anywhere(rng) for _ in range(3)], [rng.uniform(0.0, 0.2) for _ in range(3)]
    weights = [rng.uniform(0.1, 1.0) for _ in range(3)]
    centre = tuple(
        math.fsum(w * v for w, v in zip(weights, axis, strict=True)) / math.fsum(weights)
        for axis in zip(*corners, strict=True)
    )
    triangle = Polygon(corners)
    assume(triangle.area > 0.1)
    opposite = [Polygon([centre, *corners[:k], *corners[k + 1 :]]).area / triangle.area for k in range(3)]
    supports = [Support(at, room) for at, room in zip(corners, rooms, strict=True)]
    falls = fall_free(centre, supports, [], [(centre, 9.0)])
    assert math.isclose(falls, math.fsum(s * r for s, r in zip(opposite, rooms, strict=True)), abs_tol=1e-9)
