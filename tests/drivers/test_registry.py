"""Drivers as entry points: ours are found, another's works, and a broken one is a sentence."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tomllib
from importlib.metadata import EntryPoint
from pathlib import Path
from types import ModuleType

import pytest

from drivers.driver import Driver
from drivers.kinds.mqtt import MqttPort, MqttSource
from drivers.kinds.nmea import DRIVER, NmeaPort, NmeaSource
from drivers.registry import GROUP, examined, found, usable

PROJECT = Path(__file__).resolve().parents[2]


def point(name: str, value: object, monkeypatch: pytest.MonkeyPatch) -> EntryPoint:
    """An entry point that loads to an object."""
    module = ModuleType(f"driver_{name}")
    module.it = value
    monkeypatch.setitem(sys.modules, module.__name__, module)
    return EntryPoint(name, f"{module.__name__}:it", GROUP)


def test_ours_are_those_that_the_project_declares():
    declared = tomllib.loads((PROJECT / "pyproject.toml").read_text())["project"]["entry-points"][GROUP]
    ours = {it.name for it in found() if it.origin.startswith("inchwatch ")}
    assert ours == set(declared)
    assert all(it.driver is not None for it in found()), [it.fault for it in found()]
    assert {driver.name for driver in usable().values()} >= {"nmea", "mqtt"}


@pytest.mark.parametrize(
    ("value", "said"),
    [
        ("a text", "found a str; allowed is a drivers.driver.Driver"),
        (DRIVER, "found a driver that calls itself 'nmea'; both names must be one"),
        (Driver("x", "", int, NmeaSource, DRIVER.open, DRIVER.elsewhere), "allowed is a subclass of PortTable"),
        (Driver("x", "", NmeaPort, dict, DRIVER.open, DRIVER.elsewhere), "allowed is a subclass of SourceTable"),
        (Driver("x", "", MqttPort, MqttSource, DRIVER.open, DRIVER.elsewhere), "its 'driver' must be Literal['x']"),
    ],
)
def test_what_is_no_driver_is_told(value, said, monkeypatch):
    (it,) = examined([point("x", value, monkeypatch)])
    assert it.driver is None
    assert said in it.fault
    assert "\n" not in it.fault


def test_one_that_does_not_load_and_two_of_one_name_are_told_and_the_rest_work(monkeypatch):
    broken = EntryPoint("gone", "no_such_module_anywhere:IT", GROUP)
    twice = [point("x", DRIVER, monkeypatch), point("x", DRIVER, monkeypatch)]
    named = {it.name: it for it in examined([broken, *twice, point("nmea", DRIVER, monkeypatch)])}
    assert "found ModuleNotFoundError" in named["gone"].fault
    assert "found 2 drivers of this name; one is allowed" in named["x"].fault
    assert named["nmea"].driver is DRIVER


@pytest.mark.parametrize("raised", ["BaseException", "GeneratorExit", "SystemExit"])
def test_whatever_one_raises_on_loading_the_rest_work(raised, monkeypatch, tmp_path):
    """An extension in another language may panic with what is no Exception."""
    (tmp_path / f"panics_{raised}.py").write_text(f"raise {raised}('panic')\n")
    monkeypatch.syspath_prepend(tmp_path)
    named = {
        it.name: it
        for it in examined([EntryPoint("p", f"panics_{raised}:IT", GROUP), point("nmea", DRIVER, monkeypatch)])
    }
    assert f"found {raised} (panic) on loading 'panics_{raised}:IT'" in named["p"].fault
    assert named["nmea"].driver is DRIVER


class TestCommand:
    def test_lists_them(self, typed):
        it = typed("drivers")
        assert it.code == 0
        assert "NMEA 0183 XDR" in it.out
        assert "MQTT broker" in it.out

    def test_shows_the_keys_of_one(self, typed):
        it = typed("drivers", "nmea")
        assert it.code == 0
        assert "[[port]]" in it.out
        assert "baud" in it.out
        assert "4800 if left out" in it.out
        assert all(len(line) <= 80 for line in it.out.splitlines())
        assert "mqtt" not in it.out.split("\n")[0]

    def test_shows_tables_within_a_table_and_what_each_key_takes(self, typed):
        out = " ".join(typed("drivers", "modbus").out.split())
        assert "status a table; may be left out status.holding a whole number from 0 to 65535" in out
        assert "status.failure a list, each a whole number from 0 to 15" in out
        assert "timeout a time such as '20 s' (s, ms, min, h), or a bare number in SI; 0.2 s if left out" in out
        assert "a value" not in out
        assert "presence.gone" in typed("drivers", "mqtt").out

    def test_says_what_there_is_when_there_is_none_of_a_name(self, typed):
        it = typed("drivers", "smoke-signals")
        assert it.code == 2
        assert it.err.startswith("inchwatch drivers: found 'smoke-signals', allowed is one of")
        assert it.err.count("\n") == 1

    def test_as_json(self, typed):
        said = json.loads(typed("drivers", "--json").out)["drivers"]
        assert {it["name"] for it in said} == {it.name for it in found()}
        nmea = next(it for it in said if it["name"] == "nmea")
        assert nmea["port"]["properties"]["baud"]["default"] == 4800


def test_a_broken_one_beside_ours_is_a_sentence_and_no_crash(tmp_path):
    (tmp_path / "smoke_signals.py").write_text("raise RuntimeError('no fire\\nno smoke')\n")
    info = tmp_path / "smoke_signals-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: smoke-signals\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(f"[{GROUP}]\nsmoke = smoke_signals:DRIVER\n")
    rig = (PROJECT / "monitor/drill/rigs/yard-panel.toml").read_text()
    (tmp_path / "rig.toml").write_text(rig.replace('driver = "nmea"', 'driver = "smoke"', 1))
    where = os.environ | {"PYTHONPATH": os.pathsep.join([str(tmp_path), *filter(None, [os.environ.get("PYTHONPATH")])])}

    def ran(*args: str) -> subprocess.CompletedProcess[str]:
        call = [sys.executable, "-m", "monitor", *args]
        return subprocess.run(call, capture_output=True, text=True, cwd=PROJECT, env=where, timeout=60)

    listed = ran("drivers")
    sentence = (
        "driver 'smoke' of smoke-signals 1.0: found RuntimeError (no fire no smoke) on loading 'smoke_signals:DRIVER'"
    )
    assert listed.returncode == 1
    assert sentence in listed.stdout
    assert "NMEA 0183 XDR" in listed.stdout
    checked = ran("check", str(tmp_path / "rig.toml"))
    assert checked.returncode == 1
    assert sentence in checked.stdout + checked.stderr
    assert "Traceback" not in listed.stderr + checked.stderr + checked.stdout
