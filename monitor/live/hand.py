"""The hand that presses keys where there is no screen: what it would press, seeing this picture.

It is no part of the engine. What it presses goes into the journal as actions by "automatic", like anyone's.
"""

from __future__ import annotations

from monitor.engine.picture import Picture
from replay.entries import Detail

Press = tuple[str, dict[str, Detail]]

_LATECOMERS_NS = 3_000_000_000
"""How long after the start the hand waits for channels that have not been heard yet, before it zeroes without them."""


def presses(picture: Picture) -> Press | None:
    """The one key to press now: the zero once every live channel rests, `next` once a step's stop is reached."""
    zero = picture.zero
    if zero.taken_ns is None:
        if zero.ready or (zero.live_ready and picture.time_ns >= _LATECOMERS_NS):
            return "zero", {"live_only": True}
        return None
    step = picture.step
    if step is not None and step.done and picture.steps[step.number - 1].do in ("fill", "lower", "capture"):
        return "next", {}
    return None
