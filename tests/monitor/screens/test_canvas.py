"""What screens are drawn with: dots, lines, rings and letters of any size, and lines of exact width."""

from __future__ import annotations

from math import hypot

from hypothesis import given
from hypothesis import strategies as st

from monitor.screens.canvas import Canvas, large
from monitor.screens.ink import Role, fit, plain, width

DOT = st.integers(-200, 200)


@given(DOT, DOT, DOT, st.none() | DOT, st.integers(1, 3), st.integers(1, 20), st.integers(1, 12))
def test_a_line_that_ends_outside_is_drawn_as_far_as_it_is_inside(ax, ay, bx, by, every, columns, rows):
    by = ay if by is None else by  # every other one along a row
    whole = Canvas(columns, rows, (0.0, 0.0, columns * 2 - 1.0, rows * 4 - 1.0))
    by_dots = Canvas(columns, rows, (0.0, 0.0, columns * 2 - 1.0, rows * 4 - 1.0))
    whole.line(ax, ay, bx, by, every=every)
    (px, py), (qx, qy) = whole._place(ax, ay), whole._place(bx, by)
    steps = max(abs(qx - px), abs(qy - py), 1)
    for i in range(0, steps + 1, every):
        by_dots._dot(round(px + (qx - px) * i / steps), round(py + (qy - py) * i / steps), Role.PLAIN)
    assert whole.lines() == by_dots.lines()


@given(st.lists(st.tuples(st.floats(0.0, 9.0), st.none() | st.floats(-1.0, 4.0)), max_size=40))
def test_a_graph_has_the_dots_of_the_lines_from_point_to_point(points):
    points.sort(key=lambda point: point[0])
    graph, lines = (Canvas(6, 3, (0.0, 0.0, 9.0, 3.0)) for _ in range(2))
    graph.graph(points)
    before = None
    for x, y in points:
        if y is not None:
            lines.line(*(before or (x, y)), x, y)
        before = None if y is None else (x, y)
    assert plain(graph.lines()) == plain(lines.lines())


def test_letters_grow_in_both_ways_alike():
    for text in ("0123456789", "WARNING", "NO ZERO", "DANGER", "CAUTION", "NOTICE", "STOP", "OLD", "BLIND", "WAS", "?"):
        small = large(text)
        for size, rows in ((2, 5), (3, 8), (4, 10), (7, 18)):
            grown = large(text, size)
            assert len(grown) == rows
            assert {len(row) for row in grown} == {len(small[0]) * size}
            dots = sum({"█": 2, " ": 0}.get(cell, 1) for row in grown for cell in row)
            assert dots == size**2 * sum({"█": 2, " ": 0}.get(cell, 1) for row in small for cell in row)


def test_a_ring_is_as_far_from_its_middle_everywhere():
    canvas = Canvas(40, 20, (-1.0, -1.0, 1.0, 1.0))
    canvas.ring(0.0, 0.0, 0.8)
    rows = plain(canvas.lines()).splitlines()
    drawn = [(x, y) for y, row in enumerate(rows) for x, cell in enumerate(row) if cell != " "]
    far = [hypot((x + 0.5) / 20 - 1, (y + 0.5) / 10 - 1) for x, y in drawn]
    assert 0.7 < min(far) < max(far) < 0.9


def test_large_digits_are_three_rows_of_one_width():
    for text in ("0123456789", "-12.5", "  7", "- -"):
        rows = large(text)
        assert len({len(row) for row in rows}) == 1
    assert len({large(digit) for digit in "0123456789"}) == 10


def test_the_canvas_draws_where_it_is_told():
    canvas = Canvas(4, 2, (0.0, 0.0, 7.0, 7.0))
    for place in (0.0, 7.0, 99.0):  # the last lies outside
        canvas.line(place, place, place, place)
    assert plain(canvas.lines()) == "   ⠈\n⡀"


def test_fit_cuts_and_pads_to_the_cell():
    assert plain([fit([("abcdef", Role.PLAIN)], 4)]) == "abc…"
    assert width(fit([("ab", Role.PLAIN)], 5)) == 5
    assert width(fit([("⌂⌂⌂", Role.PLAIN)], 2)) == 2
