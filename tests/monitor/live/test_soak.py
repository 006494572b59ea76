"""The soak's own checks: on a small journal by hand, of what is lost, what is twice and what nobody sent; on measures by hand, of
CPU that grows."""

import json
import random
import struct
from contextlib import ExitStack

import pytest
import soak_rig as rig
from soak_check import Checker
from soak_flat import FEWEST, flatness

from drivers.reading import Reading
from replay.codec import Header
from replay.entries import Tick
from replay.journal import JournalWriter

TICKS = 100
IT = next(it for it in rig.channels() if it.name == "N1-p")


def value(it: rig.Sent, tick: int) -> float:
    """The value of a tick as it comes out of a decoder (SI)."""
    scale, offset = it.si
    return scale * float(f"{it.texts()[rig.level_of(tick)]}{tick:07d}") + offset


def verdict(tmp_path, values: dict[str, list[float]], done: list[dict]) -> dict:
    """What the check says of a journal with these values; channels that are not named have all of theirs."""
    (tmp_path / "faults.jsonl").write_text("".join(json.dumps({"ns": 0, **it}) + "\n" for it in done))
    (tmp_path / "station.bin").write_bytes(struct.pack("<QQ", 0, 5))
    sound = {it.name: [value(it, tick) for tick in range(TICKS)] for it in rig.channels()}
    sound |= {name: [rig.BUS_BAR * 1e5] for name in rig.BUS_CHANNELS}
    with ExitStack() as closing:
        writer = JournalWriter(tmp_path / "soak.jsonl", Header("", "r", "s", "d"), print)
        closing.callback(writer.close)
        writer.write(Tick(0))
        for name, of_it in (sound | values).items():
            for number, it in enumerate(of_it):
                writer.write(Reading(name, number, 1, None, it))
    checker = Checker(TICKS)
    checker.take(tmp_path / "soak.jsonl")
    return checker.verdict(tmp_path, TICKS, 10)


ALL = [value(IT, tick) for tick in range(TICKS)]
WINDOW = {"kind": "pulled", "port": rig.BENCH, "from": 40, "to": 50}
OUTSIDE = {"extra": IT.name, "port": rig.BENCH, "number": rig.EXTRA, "tick": 3}
CASES = {
    "sound": (ALL, [], {}),
    "one lost": (ALL[:7] + ALL[8:], [], {"lost_outside": 1}),
    "one lost inside a fault": (ALL[:45] + ALL[46:], [WINDOW], {"lost_inside": 1}),
    "one lost after a fault": (ALL[:51] + ALL[52:], [WINDOW], {"lost_outside": 1}),
    "one twice": (ALL[:8] + ALL[7:], [], {"twice_outside": 1}),
    "one sent twice": (ALL[:8] + ALL[7:], [{"twice": rig.BENCH, "tick": 7}], {"lost_outside": 11}),
    "a level that was not sent": ([ALL[0] + 1e-4 * 1e5, *ALL[1:]], [], {"invented": 1, "lost_outside": 1}),
    "never sent, and there": (ALL, [{"unsent": rig.BENCH, "from": 9, "to": 9}], {"invented": 12}),
    "beyond its range": ([*ALL, 12e5 + 9e6 * 1e-11 * 1e5], [OUTSIDE], {}),
    "beyond its range, and lost": (ALL, [OUTSIDE], {"lost_outside": 1}),
    "beyond its range, and nobody's": ([*ALL, 12e5 + 9e6 * 1e-11 * 1e5], [], {"invented": 1}),
}


@pytest.mark.parametrize("case", CASES)
def test_the_check_finds_what_is_lost_twice_and_invented(tmp_path, case):
    values, done, found = CASES[case]
    it = verdict(tmp_path, {IT.name: values}, done)
    said = {key: it[key] for key in ("lost_outside", "twice_outside", "invented", "out_of_order") if it[key]}
    if inside := sum(it["lost_inside"].values()):
        said["lost_inside"] = inside
    assert said == found
    assert it["journal"] == []


def test_every_reading_is_known_by_its_value():
    for it in rig.channels():
        assert len({value(it, tick) for tick in (0, 1, 256, 257, 359_999)}) == 5


def test_a_bus_answer_that_is_not_kept_is_lost(tmp_path):
    it = verdict(tmp_path, {"air-1-p": []}, [])
    assert (it["lost_outside"], it["where"]) == (1, ["air-1-p answer 0"])


def measured(grows: float, count: int = 400) -> list[dict]:
    """Measures every ten seconds of a program whose CPU has grown by a share at their end, on a machine that has ever less else to
    do: it is woken more often (30 us each), and the sender's work costs less. Invented."""
    rng = random.Random(5)
    made = [{"s": 0.0, "cpu_s": 0.0, "wakings": 0, "sender": {"ticks": 0, "cpu_s": 0.0}}]
    for i in range(1, count):
        idle, last = i / count + rng.uniform(-0.3, 0.3), made[-1]
        woken, beat = round(10 * (500 + 1000 * idle)), 0.0014 - 0.0001 * idle + rng.gauss(0, 0.00002)
        share = 0.3 * (1 + grows * i / count) + 30e-6 * woken / 10 + 40 * (beat - 0.0013) + rng.gauss(0, 0.005)
        made.append(
            {
                "s": 10.0 * i,
                "cpu_s": last["cpu_s"] + 10 * share,
                "wakings": last["wakings"] + woken,
                "sender": {"ticks": 500 * i, "cpu_s": last["sender"]["cpu_s"] + 500 * beat},
            }
        )
    return made


@pytest.mark.parametrize("grows", [0.0, 0.1, -0.1])
def test_growing_cpu_is_told_apart_from_a_machine_that_has_less_else_to_do(grows):
    found = flatness(measured(grows))
    mean = 0.3 * (1 + grows / 2) + 0.03
    assert found["drift"] == pytest.approx(0.3 * grows / mean, abs=3 * found["sd"])
    assert found["sd"] < 0.01
    assert found["waking_s"] == pytest.approx(30e-6, rel=0.15)


def test_of_a_few_measures_nothing_is_said():
    assert flatness(measured(0.1, FEWEST)) is None
