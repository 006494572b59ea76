"""A session as it is opened: what a rig file names is found from where the rig file stands."""

from __future__ import annotations

from importlib.resources import files

import pytest

from monitor.live.opening import BadCall, Call, duration, opened

YARD = files("monitor.drill").joinpath("rigs/yard-panel.toml").read_text(encoding="utf-8")


@pytest.fixture
def rig(tmp_path):
    closed = 'tls = true\nca = "ca.pem"\nuser = "screen"\npassword_file = "/etc/yard/password"\n'
    (tmp_path / "yard").mkdir()
    file = tmp_path / "yard" / "rig.toml"
    file.write_text(YARD.replace('driver = "mqtt"\n', f'driver = "mqtt"\n{closed}'))
    return file


@pytest.mark.parametrize("how", ["yard/rig.toml", "../yard/rig.toml"])
def test_files_of_a_port_stand_beside_the_rig_file(rig, monkeypatch, how):
    monkeypatch.chdir(rig.parent.parent if how.startswith("yard") else rig.parent)
    it = opened("run", Call(how, ports=["yard-net=mqtts://elsewhere"], keep=False), None)
    net = next(port for port in it.ports if port.name == "yard-net")
    assert (net.host, net.port, net.tls) == ("elsewhere", 8883, True)
    assert net.ca.endswith("yard/ca.pem")
    assert net.ca.startswith("/")
    assert net.password_file == "/etc/yard/password"


def test_a_recording_keeps_names_of_files_as_they_were_written(rig, tmp_path):
    it = opened("run", Call(str(rig), record=str(tmp_path / "it.jsonl")), None)
    it.session.stop()
    it.keeper.close()
    assert b'ca = \\"ca.pem\\"' in (tmp_path / "it.jsonl").read_bytes()
    assert str(rig.parent).encode() not in (tmp_path / "it.jsonl").read_bytes()


@pytest.mark.parametrize(
    "given", ["²", "٣", "1e400", "999999999999999999999", "0", "-3", "nan", "inf", ".", "", "3 fortnights"]
)
def test_a_time_that_is_none_is_one_sentence(given):
    with pytest.raises(BadCall, match="--for: found") as caught:
        duration(given)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("given", "seconds"), [("30", 30.0), ("0.5", 0.5), ("30s", 30.0), ("2 min", 120.0), ("1 h", 3600.0)]
)
def test_a_time_as_a_person_says_it(given, seconds):
    assert duration(given) == seconds
