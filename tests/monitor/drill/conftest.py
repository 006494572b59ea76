"""Rigs for the virtual rig's own tests, made as a rig file would make them. All numbers are invented."""

from __future__ import annotations

import pytest

from monitor.rig.schema import Rig

PORT = {"name": "bench", "driver": "nmea", "url": "socket://127.0.0.1:10110"}


def channel(name: str, quantity: str) -> dict:
    return {"name": name, "quantity": quantity, "source": {"port": "bench", "id": name}}


def bag(name: str, force: float = 1e5, last: float = 6e4, travel: float = 0.8) -> dict:
    return {
        "name": name, "working_pressure": 8e5, "height_flat": 0.1, "pressure": f"{name}-p",
        "capacity": [[0.1, force], [0.1 + travel / 2, 0.9 * force], [0.1 + travel, last]],
    }  # fmt: skip


def rig_of(stacks: dict, *, hinge=None, cg=(1.0, 0.0, 0.0), weight=3e4, shores=(), bags=1, tall=None, **more) -> Rig:
    """Stacks by name and place, each of so many bags; shores by name and place."""
    stack = [
        {
            "name": name, "at": list(at), "height_at_zero": tall or 0.1 * bags, "supply": 8e5, "ring": 0.2,
            "bag": [bag(f"{name}{i}", travel=more.get("travel", 0.8)) for i in range(bags)],
        }
        for name, at in stacks.items()
    ]  # fmt: skip
    shore = [
        {
            "name": name, "at": list(at), "extension": f"{name}-ext", "load_cell": f"{name}-load",
            "follow_pressure": 1.8e5, "piston_area": 28e-4, "lock_pitch": 0.001,
        }
        for name, at in dict(shores).items()
    ]  # fmt: skip
    channels = [channel(f"{name}{i}-p", "pressure") for name in stacks for i in range(bags)]
    channels += [channel(f"{name}-ext", "length") for name in dict(shores)]
    channels += [channel(f"{name}-load", "force") for name in dict(shores)]
    channels += more.get("channels", [])
    load = {"weight": weight, "centre_of_gravity": list(cg)} | ({"hinge": hinge} if hinge else {})
    sensors = {key: more[key] for key in ("height", "tilt") if key in more}
    return Rig.model_validate(
        {"version": 1, "rig": {"name": "x"}, "load": load, "stack": stack, "shore": shore, "port": [PORT],
         "channel": channels, **sensors}
    )  # fmt: skip


@pytest.fixture
def make_rig():
    return rig_of


@pytest.fixture
def make_channel():
    return channel
