"""Exact pictures of the screens, with the minute before them: small ones in trouble, large ones at peace; and of a recording as an
instructor walks through it.

The README shows these very files. They are renewed with `pytest --snapshot-update`, on purpose, after a look.
"""

from __future__ import annotations

import pytest

from monitor.screens.instructor import InstructorScreen
from monitor.screens.operator import OperatorScreen
from monitor.screens.overview import OverviewScreen
from monitor.screens.safety import SafetyScreen
from monitor.screens.sensors import SensorScreen

from .boards import BoardStandIn
from .recordings import lift
from .test_overview import RigsStandIn


@pytest.fixture
def looks_as_it_did(snap_compare, feed, demo):
    """Compare the screen at one picture of the demo, once it has shown all those before."""

    def compare(picture, size, screen=OperatorScreen) -> bool:
        async def show_the_minute_before(pilot) -> None:
            for before in demo[: demo.index(picture) + 1 : 2]:
                feed.picture = before
                pilot.app.redraw()
            feed.picture = picture
            pilot.app.redraw()
            await pilot.pause()

        app = screen(feed, bell=False, clock=lambda: 0.0)
        return snap_compare(app, terminal_size=size, run_before=show_the_minute_before)

    return compare


def test_leaning_80x24(looks_as_it_did, leaning):
    assert looks_as_it_did(leaning, (80, 24))


def test_lifting_120x40(looks_as_it_did, demo):
    assert looks_as_it_did(next(p for p in demo if p.load.rise_m and p.load.rise_m > 0.075), (120, 40))


def test_safety_leaning_80x24(looks_as_it_did, leaning):
    assert looks_as_it_did(leaning, (80, 24), SafetyScreen)


def test_safety_lifting_120x40(looks_as_it_did, demo):
    assert looks_as_it_did(next(p for p in demo if p.load.rise_m and p.load.rise_m > 0.075), (120, 40), SafetyScreen)


def test_overview_80x24(snap_compare, rig, leaning, demo):
    """Four rigs: one whose monitor is gone, one that leans, one without a zero, one that lifts."""
    lifting = next(p for p in demo if p.load.rise_m and p.load.rise_m > 0.05)
    rigs = RigsStandIn(rig, {"quarry": lifting, "precast-hall": leaning, "block-yard": demo[5], "gate": lifting})
    rigs.trouble["gate"] = "GONE: the operator's monitor has left"
    assert snap_compare(OverviewScreen(rigs, bell=False, clock=lambda: 0.0), terminal_size=(80, 24), press=["down"])


def test_sensors_80x24(snap_compare):
    """The board of every channel: one silent, one out of range, one noisy, a port that is down, a stranger on the other."""
    assert snap_compare(SensorScreen(BoardStandIn(), clock=lambda: 0.0), terminal_size=(80, 24))


@pytest.mark.parametrize("size", [(80, 24), (120, 40)], ids=["80x24", "120x40"])
def test_recorded(snap_compare, rig, demo, leaning, size):
    """A drill walked through to where its stack leans out of its cone."""

    async def to_the_lean(pilot) -> None:
        pilot.app.recorded.go(demo.index(leaning))
        pilot.app.redraw()
        await pilot.pause()

    app = InstructorScreen(lift(rig, demo), clock=lambda: 0.0)
    assert snap_compare(app, terminal_size=size, run_before=to_the_lean)
