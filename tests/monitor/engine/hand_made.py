"""Pictures of stacks and shores made by hand, and steps, for a plan that is tried by itself. All of it is invented."""

from __future__ import annotations

from monitor.engine.picture import BagPicture, ShorePicture, StackPicture

S = 1_000_000_000
BEGUN = 7 * S
"""When every plan here is begun: not at nought, where a sum and a difference are the same."""


def bag(name, pressure=None, doing="holding"):
    return BagPicture(name, pressure, None, None, None, None, 7.5e5, 8e5, doing, None)


def stack(name="S1", rise=None, *, lower=None, upper=None, doing=("holding", "holding")):
    unknown = [None] * 8
    bags = (bag(f"{name}-lower", lower, doing[0]), bag(f"{name}-upper", upper, doing[1]))
    return StackPicture(name, (4.2, 0.0), 0.15, rise, *unknown, None, (), None, bags)


def shore(name, out=0.05, gap=0.001, doing="locked", air=1.8e5, touch=None, told=False):
    return ShorePicture(
        name, (4.6, 1.0), gap, 0.0005, 0.006, out, air, 1.8e5, None, doing, touch_m=touch, told_released=told
    )


def told(sequence, *stacks, shores=(), at=BEGUN + S, cribbed=None):
    """(share done, what is left, whether its stop is reached) after a tick."""
    now = sequence.tick(at, stacks, tuple(shores), cribbed)
    assert now.done is sequence.done
    return (None if now.progress is None else round(now.progress, 6)), now.left, now.done


def share(sequence, *stacks, **how):
    return told(sequence, *stacks, **how)[0]


FILL = {"do": "fill", "bag": "S1-upper", "until": {"rise": "60 mm", "at": "S1"}}
PRESSURE = {"do": "fill", "bag": "S1-upper", "until": {"pressure": "1 bar"}}
LOWER = {"do": "lower", "bag": "S1-upper", "until": {"rise": "10 mm"}}
CAPTURE, WORK, VENT = {"do": "capture"}, {"do": "work"}, {"do": "vent", "bag": "S1-upper"}
