"""Joins a session to the link: its pictures to whoever follows, their STOP to it, what is wrong with the link to its screen."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial

from monitor.engine.picture import Picture
from monitor.link.announcer import Announcer, Watched
from monitor.link.keeper import Keeper
from monitor.live.keeping import software
from monitor.live.opening import Opened


@contextmanager
def announced(
    it: Opened, *also: Callable[[Picture], None], aloud: bool = False, ours: Keeper | None = None
) -> Iterator[None]:
    """While this lasts the session's pictures go to `also`, and to the broker where there is one. `aloud`: trouble with the
    link is said on standard error as well; it stands beside where the recording goes in any case. `ours`: keeps the broker,
    where that is one of our own."""
    if it.link is None:
        it.session.on_picture = _each(*also) if also else None
        yield
        return
    session, recording = it.session, it.session.recording

    wrong = {"broker": "", "link": ""}

    def said(of: str, text: str) -> None:
        wrong[of] = text
        text = "; ".join(filter(None, wrong.values()))
        session.recording = f"{recording}; {text}" if text else recording
        if aloud:
            print(f"inchwatch run: {text or 'the link is up'}", file=sys.stderr)

    watched = Watched(session.rig.rig.name, it.text, software(), session.wall_start_s, recording)
    announcer = Announcer(
        it.link,
        watched,
        session.clock,
        lambda by, reason: session.send_as(by, "stop", reason=reason),
        partial(said, "link"),
    )
    if ours is not None:
        ours.said = partial(said, "broker")
    session.on_picture = _each(*also, announcer.take)
    announcer.start()
    try:
        yield
    finally:
        announcer.stop()
        if announcer.odd:
            print(f"inchwatch run: the link: {announcer.odd}", file=sys.stderr)


def _each(*takers: Callable[[Picture], None]) -> Callable[[Picture], None]:
    def take(picture: Picture) -> None:
        for it in takers:
            it(picture)

    return take
