"""What is moved, or given a breath of air, to see which channel answers: one target a channel of the rig file."""

from __future__ import annotations

from dataclasses import dataclass

from drivers.config import Channel
from monitor.rig.schema import Rig

_ASK = {"force": "press on sensor", "temperature": "warm sensor"}


@dataclass(frozen=True, slots=True)
class Target:
    """Something a person can make answer. `name` is a bag, a shore or a channel; `channel` the one that should answer."""

    name: str
    channel: str
    air: bool
    ask: str
    """What the person is asked to do, in the imperative."""
    undo: str
    """What is to be done before the next one."""

    @property
    def check(self) -> str:
        """The kind of check: "breath" where air is given, else "wiggle"."""
        return "breath" if self.air else "wiggle"


def targets(rig: Rig) -> list[Target]:
    """Bags first, then shores' air, then every other channel in the rig file's order."""
    aired = [(bag.name, bag.pressure, "bag") for stack in rig.stack for bag in stack.bag]
    aired += [(shore.name, shore.pressure, "shore") for shore in rig.shore if shore.pressure is not None]
    found = [
        Target(name, channel, True, f"give {kind} {name} a breath of air", f"let the air out of {name} again")
        for name, channel, kind in aired
    ]
    taken, places = {it.channel for it in found}, meanings(rig)
    return found + [_sensor(it, places.get(it.name, "")) for it in rig.channel if it.name not in taken]


def _sensor(channel: Channel, where: str) -> Target:
    ask = f"{_ASK.get(channel.quantity, 'move sensor')} {channel.name}" + (f" ({where})" if where else "")
    return Target(channel.name, channel.name, False, ask, f"put {channel.name} back as it was")


def meanings(rig: Rig) -> dict[str, str]:
    """What each channel that is no gauge of air measures, in a few words."""
    found = {it.channel: f"height of the load at {_at(it.at)}" for it in rig.height}
    found |= {it.channel: f"tilt of the load along {_axis(it.axis)}" for it in rig.tilt}
    for shore in rig.shore:
        found[shore.extension] = f"extension of shore {shore.name}"
        if shore.load_cell is not None:
            found[shore.load_cell] = f"load on shore {shore.name}"
    for stack in rig.stack:
        pairs = {f"tilt of the plate above {bag.name}": bag.plate_tilt for bag in stack.bag}
        pairs |= {f"tilt of the head of {stack.name}": stack.head_tilt}
        pairs |= {f"sideways travel of the head of {stack.name}": stack.head_offset}
        for what, pair in pairs.items():
            found |= {channel: f"{what}, {axis}" for axis, channel in zip("xy", pair or (), strict=False)}
        for bag in stack.bag:
            found |= {bag.height: f"height of {bag.name}"} if bag.height else {}
            found |= {bag.temperature: f"air in {bag.name}"} if bag.temperature else {}
    return found


def _at(at: tuple[float, float]) -> str:
    return f"x {at[0]:g} m, y {at[1]:g} m"


def _axis(axis: tuple[float, float]) -> str:
    return {(1.0, 0.0): "x", (0.0, 1.0): "y"}.get(axis, f"({axis[0]:g}, {axis[1]:g})")
