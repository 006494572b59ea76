"""An instructor who presses keys, and a clock that passes when it is told to."""

from __future__ import annotations

import asyncio

from monitor.screens.ink import plain
from monitor.screens.instructor import InstructorScreen

SECOND_NS = 1_000_000_000


class Clock:
    """Seconds that pass when they are told to."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


def walked(recorded, *keys, size=(80, 24), day=None):
    """Press keys, numbers being seconds that pass; returns (the screen at the end, what it showed)."""

    async def go():
        clock = Clock()
        app = InstructorScreen(recorded, clock=clock)
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            for key in keys:
                if isinstance(key, float):
                    for _ in range(round(key * 10)):
                        clock.now += 0.1
                        app.redraw()
                elif len(key) > 1 and key.startswith("'"):
                    await pilot.press(*key[1:])
                else:
                    await pilot.press(key)
                await pilot.pause()
            app.redraw()
            app.at_last = app.sheet.lines[-1], app.note.display, app.note.value
            return app, plain(app.sheet.lines)

    return asyncio.run(go())


def at(recorded, number) -> float:
    return recorded.pictures[number].time_ns * 1e-9
