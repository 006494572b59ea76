"""What each rule on ports, recorder, queue and sensors says, on scenes made by hand. All invented."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.engine import instrument
from monitor.engine.conditions import Measured, Scene, Suppressed
from monitor.engine.engine import Engine
from monitor.engine.picture import PortPicture, SensorStatus
from replay.entries import Tick

S = 1_000_000_000
FINE = Measured(0.0, "", {})
OK, FAILED, CHECK, BEYOND, NOISY, STALE, NEVER = SensorStatus
OTHERS = {
    instrument.silent: (OK, FAILED, CHECK, BEYOND, NOISY),
    instrument.beyond: (OK, FAILED, CHECK, NOISY, STALE, NEVER),
    instrument.frozen: (OK, CHECK, BEYOND, NOISY, STALE, NEVER),
    instrument.disagrees: (OK, FAILED, BEYOND, NOISY, STALE, NEVER),
    instrument.noisy: (OK, FAILED, CHECK, BEYOND, STALE, NEVER),
}


@pytest.fixture
def scene(rig) -> Scene:
    """A minute after every port came up."""
    engine = Engine(rig)
    scene = engine._scene(engine.tick(Tick(0)), None, 0)
    ports = tuple(PortPicture(port.name, True, "up", 0) for port in rig.port)
    return replace(scene, picture=replace(scene.picture, time_ns=60 * S, ports=ports), odd=frozenset())


def sensor(scene: Scene, status: SensorStatus, name: str = "H1", **values) -> Scene:
    seen = (replace(it, status=status, **values) if it.name == name else it for it in scene.picture.sensors)
    return replace(scene, picture=replace(scene.picture, sensors=tuple(seen)), odd=frozenset((name,)))


def port(scene: Scene, up: bool | None, since: float = 0.0, text: str = "", now: float = 60.0) -> Scene:
    ports = tuple(replace(it, up=up, since_ns=round(since * S), text=text) for it in scene.picture.ports)
    return replace(scene, picture=replace(scene.picture, time_ns=round(now * S), ports=ports))


def test_stop(scene):
    assert instrument.stop_called(scene, "crew") == Measured(0.0, "", {"reason": None})
    called = replace(scene, picture=replace(scene.picture, stop_called="a foot"))
    assert instrument.stop_called(called, "crew") == Measured(2.0, "a foot", {"reason": "a foot"})


@pytest.mark.parametrize(
    ("up", "now", "lost"),
    [
        (True, 60.0, False),
        (False, 0.0, True),
        (False, 60.0, True),
        (None, 3.0, False),  # three seconds to say something, met exactly
        (None, 3.1, True),
        (True, 3.1, False),
    ],
)
def test_link_lost(scene, up, now, lost):
    name = scene.rig.port[0].name
    it = instrument.link_lost(port(scene, up, text="cable out", now=now), name)
    assert it == Measured(2.0 * lost, "cable out", {"said": "cable out"})
    assert instrument.link_lost(port(scene, up, now=now), name).what == "nothing heard from it since the start"


@pytest.mark.parametrize(("look", "kind"), [(instrument.recorder, "recorder"), (instrument.behind_time, "behind-time")])
def test_troubles_of_the_monitor_itself(scene, look, kind):
    assert look(replace(scene, notices={"other": "x"}), "monitor") == Measured(0.0, "", {"said": None})
    assert look(replace(scene, notices={kind: "disk full"}), "monitor") == Measured(
        2.0, "disk full", {"said": "disk full"}
    )


def test_a_flood_is_more_than_ten(scene):
    assert instrument.flood(replace(scene, raises=10), "monitor") == Measured(
        1.0, "10 alarms in 10 min", {"raises": 10.0}
    )
    assert instrument.flood(replace(scene, raises=11), "monitor").share == pytest.approx(1.1)


@pytest.mark.parametrize("dark", [False, True])
def test_a_trouble_is_told_once_by_whether_a_danger_is_blind(scene, dark):
    bad = sensor(scene, BEYOND, value=9.0)
    if dark:
        bad.dark["H1"] = ["tilt load"]
    told, other = instrument.blinding(instrument.beyond), instrument.spared(instrument.beyond)
    told, other = (told, other) if dark else (other, told)
    assert told(bad, "H1").share == 2.0
    assert other(bad, "H1") is None
    assert told(replace(bad, odd=frozenset()), "H1") == FINE
    assert other(replace(bad, odd=frozenset()), "H1") is None


@pytest.mark.parametrize(("look", "status"), [(look, it) for look, every in OTHERS.items() for it in every])
def test_a_trouble_of_another_kind_is_not_told(scene, look, status):
    assert look(sensor(scene, status, value=1.0, age_s=9.0), "H1") == FINE


@pytest.mark.parametrize(("status", "age", "said"), [(STALE, 13.4, "silent 13 s"), (NEVER, None, "never heard")])
def test_silent(scene, status, age, said):
    gone = sensor(scene, status, age_s=age)
    assert instrument.silent(gone, "H1") == Measured(2.0, said, {"age_s": age, "blind": None})
    gone.dark["H1"] = ["tilt load", "lean S1"]
    it = instrument.silent(gone, "H1")
    assert it == Measured(2.0, f"{said}, blinds tilt load", {"age_s": age, "blind": "tilt load, lean S1"})


@pytest.mark.parametrize(
    ("up", "since", "suppressed"),
    [(True, 57.0, False), (True, 57.1, True), (False, 0.0, True), (None, 0.0, True)],  # three seconds, met exactly
)
def test_silence_of_a_port_is_told_by_the_port(scene, up, since, suppressed):
    gone = port(sensor(scene, STALE, age_s=9.0), up, since)
    it = instrument.silent(gone, "H1")
    name = gone.sensor("H1").port
    assert it == Suppressed(f"{name} is down, or only just back") if suppressed else it.share == 2.0
    assert instrument.silent(port(sensor(scene, OK, age_s=9.0), up, since), "H1") == FINE


@pytest.mark.parametrize(
    ("look", "status", "said"),
    [
        (instrument.beyond, BEYOND, "reads 1.25 m, out of its range"),
        (instrument.frozen, FAILED, "stuck at 1.25 m"),
        (instrument.noisy, NOISY, "far noisier than at the zero"),
        (instrument.disagrees, CHECK, "reads 1.25 m, the others say otherwise"),
    ],
)
def test_troubles_of_a_sensor(scene, look, status, said):
    bad = sensor(scene, status, value=1.25)
    assert look(bad, "H1") == Measured(2.0, said, {"value": 1.25, "blind": None})
    bad.dark["H1"] = ["uncaptured load", "lean S1"]
    it = look(bad, "H1")
    # Of a name and place of more than 12 letters the line has room for the name.
    assert it == Measured(2.0, f"{said}, blinds uncaptured", {"value": 1.25, "blind": "uncaptured load, lean S1"})


@pytest.mark.parametrize(("rule", "said"), [("twelve 45678", "twelve 45678"), ("thirteen 4567", "thirteen")])
def test_the_place_of_a_blind_rule_has_twelve_letters(scene, rule, said):
    bad = sensor(scene, FAILED, value=1.25)
    bad.dark["H1"] = [rule]
    assert instrument.frozen(bad, "H1").what == f"stuck at 1.25 m, blinds {said}"


def test_noise_is_looked_at_only_where_something_is_odd(scene):
    assert instrument.noisy(replace(sensor(scene, NOISY, value=1.25), odd=frozenset(("H2",))), "H1") == FINE


def test_which_of_two_lies_and_what_was_silent_at_the_zero(scene):
    bad = sensor(scene, CHECK, value=1.25)
    paired = replace(bad, disputed={"H1": ("H2", "H3")})
    assert instrument.disagrees(paired, "H1").what == "or H2 lies"
    assert instrument.disagrees(replace(paired, unzeroed=frozenset(("H1",))), "H1").what == "was silent at the zero"
    other = replace(bad, disputed={"H2": ("H1",)}, unzeroed=frozenset(("H2",)))
    assert instrument.disagrees(other, "H1").what == "reads 1.25 m, the others say otherwise"


def test_values_are_in_the_units_of_the_rig(document, scene):
    document["rig"]["units"] = "us"
    us = replace(sensor(scene, BEYOND, value=0.0254), rig=type(scene.rig).model_validate(document))
    assert instrument.beyond(us, "H1").what == "reads 1 in, out of its range"
