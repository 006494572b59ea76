"""A virtual rig whose air a test turns on and off by hand, on real wires or in simulated time, and readings made up."""

from __future__ import annotations

from importlib.resources import files

import pytest

from monitor.rig.load import parse_rig
from monitor.rig.schema import Rig

YARD = files("monitor.drill").joinpath("rigs/training-yard.toml").read_text(encoding="utf-8")


@pytest.fixture
def yard() -> Rig:
    return parse_rig(YARD)


@pytest.fixture
def yard_text() -> str:
    return YARD


@pytest.fixture(scope="session")
def yard_rig() -> Rig:
    """For hypothesis, which wants no fixture that begins anew with each test."""
    return parse_rig(YARD)
