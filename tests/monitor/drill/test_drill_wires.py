"""The virtual rig on real wires: TCP with clients that come and go, a pseudo-terminal, a broker that is not there."""

from __future__ import annotations

import contextlib
import json
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from importlib.resources import files

import pytest

from drivers.ports import PortError, open_port, redirect
from drivers.reading import LinkState, Quality, Reading
from monitor.drill import scenario
from monitor.drill.scenario import Scenario
from monitor.drill.speak import Drill, TcpMouth
from monitor.drill.wire import Said, VirtualRig
from monitor.rig.load import parse_rig

FOLDER = files("monitor.drill").joinpath("rigs")
YARD = parse_rig(FOLDER.joinpath("yard-panel.toml").read_text(encoding="utf-8"))
TRAINING = parse_rig(FOLDER.joinpath("training-yard.toml").read_text(encoding="utf-8"))
pytestmark = pytest.mark.wires
COMMAND = [sys.executable, "-m", "monitor", "drill"]


@pytest.fixture
def nowhere() -> Iterator[str]:
    """A broker's place where nobody listens, and nobody else can: the port is bound."""
    with socket.socket() as bound:
        bound.bind(("127.0.0.1", 0))
        yield f"mqtt://127.0.0.1:{bound.getsockname()[1]}"


class Heard:
    """What a port's own driver made of the bytes."""

    def __init__(self) -> None:
        self.latest: dict[str, Reading] = {}
        self.count = 0

    def __call__(self, it: Reading | LinkState) -> None:
        if isinstance(it, Reading):
            self.count += 1
            self.latest[it.channel] = it


@contextlib.contextmanager
def listening(rig, name: str, url: str) -> Iterator[tuple[Heard, dict[str, int]]]:
    heard = Heard()
    config = redirect(next(port for port in rig.port if port.name == name), url)
    reader = open_port(config, [c for c in rig.channel if c.source.port == name], heard, lambda: 0, lambda: 0.0)
    reader.start()
    try:
        yield heard, reader.counts
    finally:
        reader.stop()


@contextlib.contextmanager
def drilling(rig, where, name="clean", **more) -> Iterator[Drill]:
    drill = Drill(VirtualRig(rig, scenario.load(name)), where, **more)
    try:
        drill.start()
        yield drill
    finally:
        drill.stop()


def resting_values_are_right(heard: Heard, names: set[str]) -> None:
    """The drill rests for its first seconds: 0.20 m, 0 bar, level, the shores' air at 1.8 bar, within 6 sd."""
    expected = {
        "N1-p": (1.8e5, 6e3),
        "N2-p": (1.8e5, 6e3),
        "H1": (0.2, 0.003),
        "H2": (0.21, 0.003),
        "H3": (0.22, 0.003),
    }
    expected |= {"N1-ext": (0.1, 0.002), "N2-ext": (0.1, 0.002), "S1-lower-p": (0.0, 6e3), "S1-upper-p": (0.0, 6e3)}
    for name in names:
        value, width = expected.get(name, (0.0, 0.006))  # the rest are angles
        assert heard.latest[name].value == pytest.approx(value, abs=width), name
        assert heard.latest[name].quality is Quality.GOOD


def names_of(rig, port: str) -> set[str]:
    return {channel.name for channel in rig.channel if channel.source.port == port}


def test_two_tcp_ports_and_nothing_lost_on_the_way(wait_until):
    anywhere = {"bench": "socket://127.0.0.1:0", "mast": "socket://127.0.0.1:0"}
    with (
        drilling(TRAINING, anywhere) as drill,
        listening(TRAINING, "bench", drill.urls["bench"]) as (bench, bench_counts),
        listening(TRAINING, "mast", drill.urls["mast"]) as (mast, mast_counts),
    ):
        wait_until(lambda: bench.count >= 90 and mast.count >= 60, what="half a second of readings")
        resting_values_are_right(bench, names_of(TRAINING, "bench"))
        resting_values_are_right(mast, names_of(TRAINING, "mast"))
        for counts in (bench_counts, mast_counts):
            assert not any(counts[bad] for bad in ("checksum", "malformed", "unknown_id", "mislabelled")), counts


def test_the_clock_waits_for_somebody_to_listen(wait_until):
    drill = Drill(
        VirtualRig(TRAINING, scenario.load("clean")), dict.fromkeys(("bench", "mast"), "socket://127.0.0.1:0")
    )
    try:
        drill.start()
        with listening(TRAINING, "bench", drill.urls["bench"]) as (heard, _):
            wait_until(lambda: drill._mouths["bench"].heard(), what="one client")
            assert drill.virtual.time_ns == 0
            assert heard.count == 0
            with listening(TRAINING, "mast", drill.urls["mast"]):
                wait_until(lambda: heard.count, what="readings")
    finally:
        drill.stop()


def test_clients_come_and_go_and_others_hear_on(wait_until, nowhere):
    with (
        drilling(YARD, {"bench": "socket://127.0.0.1:0", "yard-net": nowhere}) as drill,
        listening(YARD, "bench", drill.urls["bench"]) as (stays, _),
    ):
        wait_until(lambda: stays.count, what="the first client")
        for _ in range(3):
            with listening(YARD, "bench", drill.urls["bench"]) as (visits, _):
                wait_until(lambda v=visits: v.count >= 9, what="a visitor")
        before = stays.count
        wait_until(lambda: stays.count > before + 40, what="the first client still")


def test_a_client_that_never_reads_holds_nobody_up():
    mouth = TcpMouth("127.0.0.1", 0)
    place = ("127.0.0.1", int(mouth.url.rpartition(":")[2]))
    said = Said(0, "bench", bytes(4_000_000))
    try:
        with socket.create_connection(place):
            assert mouth.heard()
            for _ in range(20):  # 80 MB: no socket's buffers hold that
                mouth.say(said)
            with socket.create_connection(place) as reads:
                mouth.say(Said(0, "bench", b"$IIXDR"))
                assert reads.recv(6) == b"$IIXDR"
    finally:
        mouth.close()


def test_a_pty_speaks_to_the_serial_driver(wait_until, nowhere):
    with drilling(YARD, {"bench": "pty", "yard-net": nowhere}) as drill:
        assert drill.urls["bench"].startswith("/dev/")
        with listening(YARD, "bench", drill.urls["bench"]) as (heard, counts):
            wait_until(lambda: heard.count >= 90, what="readings")
            resting_values_are_right(heard, names_of(YARD, "bench"))
            assert not counts["mislabelled"]


@pytest.mark.broker
def test_a_broker_carries_every_format_and_may_go_away(broker, wait_until):
    said: list[str] = []
    with (
        drilling(YARD, {"bench": "pty", "yard-net": broker.url}, say_trouble=said.append) as drill,
        listening(YARD, "yard-net", broker.url) as (heard, counts),
    ):
        wait_until(lambda: heard.count >= 18, what="messages")
        resting_values_are_right(heard, names_of(YARD, "yard-net"))
        assert not any(counts[bad] for bad in ("malformed", "unknown_id", "mislabelled"))
        assert said == []
        broker.stop()
        wait_until(lambda: said, what="a sentence")
        broker.start()
        before = heard.count
        wait_until(lambda: heard.count > before + 18, 20.0, "messages again")
        assert f"broker 127.0.0.1:{broker.port}: connection lost" in said[0]
        assert not drill.ended.is_set()


@pytest.mark.parametrize("why", ["nowhere", "mute"])
def test_a_broker_that_is_not_there_holds_nobody_up_at_the_end(request, wait_until, at_most, why):
    """The client's thread tries for up to 5 s, or sleeps for up to 1 s before it tries again."""
    where = request.getfixturevalue(why)
    url = where if why == "nowhere" else f"mqtt://127.0.0.1:{where}"
    said: list[str] = []
    with drilling(YARD, {"bench": "pty", "yard-net": url}, say_trouble=said.append) as drill:
        wait_until(lambda: said if why == "nowhere" else drill.virtual.time_ns > 100_000_000, what="a try")
        with at_most(0.6, "stopping"):
            drill.stop()


def test_what_is_no_broker_is_said_once_however_often_it_is_tried(wait_until):
    said: list[str] = []
    with socket.create_server(("127.0.0.1", 0)) as hangs_up:
        hangs_up.settimeout(20.0)
        url = f"mqtt://127.0.0.1:{hangs_up.getsockname()[1]}"
        with drilling(YARD, {"bench": "pty", "yard-net": url}, say_trouble=said.append):
            for _ in range(3):  # the third call comes after the second's trouble was dealt with
                hangs_up.accept()[0].close()
            assert len(said) == 1
    assert said[0].endswith("trying again until it is there")


@pytest.mark.broker
@pytest.mark.parametrize("protocol", ["3.1.1", "5"])
def test_a_broker_that_wants_a_name_gets_it(broker, wait_until, tmp_path, monkeypatch, protocol):
    # mosquitto.conf(5): a password_file may hold plain text lines until mosquitto_passwd -U hashes them.
    passwords = tmp_path / "passwords"
    passwords.write_text("yard:invented\n")
    passwords.chmod(0o600)
    tool = shutil.which("mosquitto_passwd")
    if tool is None:
        pytest.skip("no mosquitto_passwd on this machine: a broker with names is not tested")
    subprocess.run([tool, "-U", str(passwords)], check=True, capture_output=True)
    broker.stop()
    broker.configure(f"allow_anonymous false\npassword_file {passwords}\n")
    broker.start()
    monkeypatch.setenv("YARD_PASSWORD", "invented")
    port = YARD.port[1].model_copy(
        update={"user": "yard", "password_env": "YARD_PASSWORD", "port": broker.port, "protocol": protocol}
    )
    rig = YARD.model_copy(update={"port": [YARD.port[0], port]})
    said: list[str] = []
    with (
        drilling(rig, {"bench": "pty"}, say_trouble=said.append) as drill,
        listening(rig, "yard-net", f"yard@127.0.0.1:{broker.port}") as (heard, _),
    ):
        wait_until(lambda: heard.count >= 6, what="messages")
        assert drill.urls["yard-net"] == f"mqtt://yard@127.0.0.1:{broker.port}"
    assert said == []
    nameless = port.model_copy(update={"user": None})
    rig = YARD.model_copy(update={"port": [YARD.port[0], nameless]})
    with drilling(rig, {"bench": "pty"}, say_trouble=said.append):
        wait_until(lambda: said, what="the refusal")
    assert "refused: not authorized" in said[0]


def test_a_port_in_use_and_one_that_cannot_be_are_sentences():
    virtual = VirtualRig(YARD, scenario.load("clean"))
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(PortError, match=rf"cannot serve 127.0.0.1:{port}: Address already in use; name another"):
            Drill(virtual, {"bench": f"socket://127.0.0.1:{port}"})
    for url in ("socket://127.0.0.1:99999", "socket://[::1", "socket://127.0.0.1:1/x", "/dev/ttyUSB0", "socket://"):
        with pytest.raises(PortError, match=r"a drill can speak at socket://HOST:PORT or pty"):
            Drill(virtual, {"bench": url})


def test_time_keeps_its_pace_without_drift(wait_until, nowhere):
    ticks: list[tuple[float, float]] = []
    rest = Scenario.model_validate({"name": "x", "title": "x", "story": "x", "move": [{"do": "wait", "seconds": 60}]})
    virtual = VirtualRig(YARD, rest)
    held = threading.Event()

    def slow_once(it: VirtualRig) -> None:
        ticks.append((time.monotonic(), it.time_ns * 1e-9))
        if len(ticks) == 20:
            held.wait(0.3)  # a machine that stumbles: what comes after catches up

    drill = Drill(virtual, {"bench": "pty", "yard-net": nowhere}, speed=10.0, on_step=slow_once)
    try:
        drill.start()
        wait_until(lambda: len(ticks) > 600, 30.0, "30 s of drill")
    finally:
        drill.stop()
    late = [(at - ticks[0][0]) - (simulated - ticks[0][1]) / 10.0 for at, simulated in ticks]
    # The least of many, so that a loaded machine cannot fail it: one tick on time is proof that nothing adds up.
    assert min(late) > -0.1, "never ahead of the clock (but for how late the first step was)"
    assert late[20] > 0.2, "it did stumble"
    assert min(late[100:300]) < 0.05, "it caught up"
    assert min(late[500:]) < 0.05, "and did not drift: a drill that waited 5 ms after each step would be 0.3 s late"


def drill_command(*args: str, **more) -> subprocess.Popen[str]:
    return subprocess.Popen([*COMMAND, *args], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **more)


def test_it_says_what_to_type_and_that_it_is_the_truth(tmp_path, wait_until, nowhere):
    truth = tmp_path / "truth.jsonl"
    it = drill_command(
        "clean", "--port", "bench=socket://127.0.0.1:0", "--port", f"yard-net={nowhere}", "--truth", str(truth)
    )
    try:
        lines = [it.stderr.readline() for _ in range(4)]
        url = lines[1].split()[-1]
        rig = FOLDER.joinpath("yard-panel.toml")
        assert lines[3] == f"watch it with: inchwatch run {rig} --port bench={url} --port yard-net={nowhere}\n"
        host, port = url.removeprefix("socket://").split(":")
        with socket.create_connection((host, int(port))) as client:
            assert client.recv(6) == b"$IIXDR"
            wait_until(lambda: len(truth.read_text().splitlines()) > 3, what="lines of truth")
        assert f"broker {nowhere.removeprefix('mqtt://')}: cannot connect; trying again" in it.stderr.readline()
        it.send_signal(signal.SIGINT)
        assert it.wait(10) == 0
        assert it.stderr.read() == "", "Ctrl-C ends it quietly"
    finally:
        it.kill()
        it.communicate()
    first = json.loads(truth.read_text().splitlines()[0])
    assert first["kind"] == "truth"
    assert set(first) == {
        "kind", "t", "utc", "rise_m", "rate_m_s", "tilt_x_rad", "tilt_y_rad", "lean_m", "gap_m", "pressure_pa", "height_m",
        "force_n", "phase",
    }  # fmt: skip
    assert set(first["gap_m"]) == {"N1", "N2"}


@pytest.mark.parametrize(
    ("args", "code", "says"),
    [
        (["clean", "--port", "bench=socket://127.0.0.1:99999"], 1, "socket://HOST:PORT or pty"),
        (["clean", "--speed", "nan"], 2, "--speed: found nan, allowed is above 0"),
        (["clean", "--speed", "inf"], 2, "--speed: found inf"),
        (["clean", "--rig", "no.toml"], 1, "no.toml"),
        (["clean", "--truth", "no/such/truth"], 1, "--truth no/such/truth: No such file"),
        (["clean", "--truth", "/dev/full", "--port", "bench=pty"], 1, "--truth /dev/full: No space left on device"),
    ],
    ids=lambda it: " ".join(it[1:]) if isinstance(it, list) else None,
)
def test_what_cannot_be_is_one_sentence(tmp_path, monkeypatch, typed, nowhere, args, code, says):
    monkeypatch.chdir(tmp_path)
    it = typed("drill", *args, "--port", f"yard-net={nowhere}")
    assert it.code == code
    assert says in it.err
    assert "Traceback" not in it.err


def test_a_stack_on_the_hinge_is_refused(tmp_path, typed):
    rig = tmp_path / "rig.toml"
    text = FOLDER.joinpath("yard-panel.toml").read_text(encoding="utf-8")
    rig.write_text(text.replace('at = ["4.2 m", "0 m"]', 'at = ["0 m", "0 m"]'))
    it = typed("drill", "clean", "--rig", str(rig))
    assert it.code in (1, 2)
    assert "hinge" in it.err
    assert "Traceback" not in it.err


def test_a_reader_of_the_truth_that_goes_away_ends_it_quietly(nowhere):
    it = drill_command("clean", "--truth", "-", "--speed", "20", "--port", "bench=pty", "--port", f"yard-net={nowhere}")
    try:
        assert json.loads(it.stdout.readline())["kind"] == "truth"
        it.stdout.close()
        assert it.wait(20) == 0
        assert "Traceback" not in it.stderr.read()
    finally:
        it.kill()
        it.wait()
        it.stderr.close()
