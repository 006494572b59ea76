"""Two exact pictures of the operator's screen: a small one in trouble, a large one at peace."""

import pytest

from monitor.screens.operator import OperatorScreen


@pytest.mark.parametrize(("name", "size"), [("leaning", (80, 24)), ("quiet", (120, 40))])
def test_the_operators_screen_looks_as_it_did(snap_compare, feed, request, name, size):
    feed.picture = request.getfixturevalue(name)
    assert snap_compare(OperatorScreen(feed, bell=False, clock=lambda: 0.0), terminal_size=size)
