"""A short form of tests/bench/fuzz.py, by another seed each; and that it would see a decoder that is wrong."""

from __future__ import annotations

import random
from dataclasses import replace

import fuzz
import pytest
from fuzz_reading import FalseReadingError
from fuzz_targets import TARGETS

from drivers import nmea, payload


@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)
def test_no_decoder_reads_what_is_not_there_or_raises_what_is_not_its_own(target):
    outcome = fuzz.run(target, 20_000, seed=2)
    assert outcome.faults == []
    assert outcome.inputs == 20_000
    assert outcome.accepted > 500, "most of what is tried must not be noise"


@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)
def test_good_inputs_hold_what_was_put_in(target):
    rng = random.Random(3)
    assert sum(target.try_(target.good(rng)) > 0 for _ in range(300)) > 150


def test_a_checksum_that_nobody_looks_at_is_seen(monkeypatch):
    monkeypatch.setattr(nmea, "checksum", lambda body: 0)
    faults = fuzz.run(TARGETS[0], 3000, seed=2).faults
    assert any(isinstance(error, FalseReadingError) for _, error in faults)


def test_a_number_that_is_read_wrong_is_seen(monkeypatch):
    monkeypatch.setattr(payload, "float", lambda text: float(text) + 1e-9, raising=False)
    (target,) = (it for it in TARGETS if it.name == "number")
    faults = fuzz.run(target, 300, seed=2).faults
    assert any(isinstance(error, FalseReadingError) for _, error in faults)


def test_an_exception_that_is_not_its_own_is_seen():
    def stumbles(data: bytes) -> int:
        return data[10]

    outcome = fuzz.run(replace(TARGETS[0], try_=stumbles), 500, seed=2)
    assert {type(error) for _, error in outcome.faults} == {IndexError}
