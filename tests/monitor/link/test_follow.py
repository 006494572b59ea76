"""The command line of the link: a monitor that is killed or stopped, a second program that follows it, what a call may say."""

from __future__ import annotations

import json
import os
import signal
import time
from pathlib import Path

import pytest
import trustme

from drivers.kinds.mqtt import Broker
from monitor.link import wire
from monitor.rig.load import parse_rig

from ..live.test_live import Program
from .conftest import NAME
from .published import leaf_of, presence_message, rig_text, wrong

NOWHERE = "socket://127.0.0.1:1"
"""Where no sensor is: the monitor says so, and everything else works."""


@pytest.fixture
def program(tmp_path):
    running: list[Program] = []

    def start(*args: str, stdin: bool = False) -> Program:
        running.append(Program(*args, folder=tmp_path, stdin=stdin))
        return running[-1]

    yield start
    for it in running:
        if it.process.poll() is None:
            it.process.send_signal(signal.SIGCONT)
        it.end()


@pytest.fixture
def monitor(program, tmp_path, broker):
    """A monitor in another process, on a rig without sensors."""
    rig = tmp_path / "yard.toml"
    rig.write_text(rig_text(NAME))

    def start(*more: str) -> Program:
        ports = [word for it in parse_rig(rig_text(NAME)).port for word in ("--port", f"{it.name}={NOWHERE}")]
        record = ("--record", "kept.jsonl", "--actions", "-")
        return program(
            "run", str(rig), "--headless", "--json", *ports, "--broker", broker.url, *record, *more, stdin=True
        )

    return start


def trusted(it):
    return lambda: it.latest() is not None and not it.trouble


@pytest.mark.broker
@pytest.mark.wires
def test_a_monitor_that_is_killed_is_gone_and_one_that_stands_still_silent_within_two_seconds(
    monitor, following, wait_until
):
    it = following()
    at = monitor()
    wait_until(trusted(it), 60.0, "the monitor")
    os.kill(at.process.pid, signal.SIGSTOP)
    began = time.monotonic()
    wait_until(lambda: it.trouble.startswith("SILENT"), what="SILENT")
    assert time.monotonic() - began < 2.0
    os.kill(at.process.pid, signal.SIGCONT)
    wait_until(trusted(it), 30.0, "the monitor goes on")
    os.kill(at.process.pid, signal.SIGKILL)
    began = time.monotonic()
    wait_until(lambda: it.trouble == "GONE: the operator's monitor is lost", what="GONE")
    assert time.monotonic() - began < 2.0


@pytest.mark.broker
@pytest.mark.wires
def test_another_program_follows_calls_stop_and_reads_what_run_prints(
    monitor, program, broker, tmp_path, following, wait_until
):
    it = following()
    at = monitor()
    wait_until(trusted(it), 60.0, "the monitor")
    officer = program("follow", broker.url, "--json", "--actions", "-", "--name", "Ada Example", stdin=True)
    every = program("follow", broker.url, "--all", "--json")
    wait_until(lambda: officer.lines and officer.kind("picture"), 60.0, "the officer's first picture")
    for line in (
        '{"do": "clear-stop"}',
        '{"do": "acknowledge", "rule": "lean", "about": "S1"}',
        "{",
        '{"do": "stop", "reason": "wind"}',
    ):
        officer.process.stdin.write(line + "\n")
    officer.process.stdin.flush()
    said = "Ada Example: wind"
    wait_until(lambda: any(p["stop"] == said for p in officer.kind("picture")), what="STOP in a picture")
    wait_until(lambda: "stop-called crew" in officer.raised(), what="STOP as an alarm")
    texts = [line["text"] for line in officer.kind("link")]
    assert "STOP confirmed by the operator's monitor" in texts
    assert any("only STOP is said" in line and "found 'clear-stop'" in line for line in officer.errors)
    assert any("only STOP is said" in line and "found 'acknowledge'" in line for line in officer.errors)
    assert sum("not JSON" in line for line in officer.errors) == 1
    wait_until(lambda: any(r.get("stop") == said for r in every.kind("rig")), 60.0, "STOP in the line of all")
    wait_until(lambda: len(at.kind("picture")) > 2)
    ours, theirs = officer.kind("picture")[-1], at.kind("picture")[-1]
    assert set(ours) == set(theirs)
    at.process.send_signal(signal.SIGTERM)
    wait_until(lambda: any(line["state"] == "gone" for line in officer.kind("link")), what="the good-bye")
    at.wait()
    kept = [json.loads(line) for line in (tmp_path / "kept.jsonl").read_text().splitlines()]
    assert any(said.split(":")[0] in json.dumps(line) and "wind" in json.dumps(line) for line in kept)
    for it_ends in (officer, every):
        it_ends.process.send_signal(signal.SIGTERM)
        assert it_ends.wait() == 0
    assert not any("Traceback" in line for it_ends in (at, officer, every) for line in it_ends.errors)


@pytest.mark.broker
@pytest.mark.wires
def test_what_is_really_published_fits_the_schemas(operator, link, wait_until):
    from paho.mqtt import client as mqtt
    from paho.mqtt.enums import CallbackAPIVersion

    heard: dict[str, list[bytes]] = {leaf: [] for leaf in wire.LEAVES}
    it = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    it.on_message = lambda _c, _d, message: heard[leaf_of(message.topic)].append(bytes(message.payload))
    it.connect(link.host, link.port)
    it.subscribe("inchwatch/#", 1)
    it.loop_start()
    try:
        at = operator()
        wait_until(lambda: heard["picture"])
        at.session.send("stop", reason="x")
        wait_until(lambda: any(json.loads(p)["stop"] for p in heard["picture"]))
        at.session.send("clear-stop")
        wait_until(lambda: any(json.loads(p)["do"] == "clear-stop" for p in heard["call"]))
        at.end()
        wait_until(lambda: any(not json.loads(p)["here"] for p in heard["presence"]))
    finally:
        it.disconnect()
        it.loop_stop()
    schemas = wire.schemas()
    for leaf, payloads in heard.items():
        schema = json.loads(json.dumps(schemas[f"inchwatch/RIG/{leaf}"]))
        assert payloads, leaf
        for payload in payloads:
            assert wrong(schema, json.loads(payload), schema) == [], leaf


@pytest.mark.broker
def test_with_more_than_one_rig_a_name_is_needed_and_they_are_listed(operator, broker, typed, wait_until, following):
    operator("left"), operator("right")
    it = following(None)
    wait_until(lambda: it.names() == ["left", "right"])
    ended = typed("follow", broker.url, "--json", "--for", "30s")
    assert (ended.code, ended.out) == (2, "")
    assert ended.err == "inchwatch follow: found 2 rigs; say which, or --all:\n  left\n  right\n"
    ended = typed("follow", broker.url, "right", "--for", "2s")
    assert ended.code == 0
    assert "rise" in ended.out
    ended = typed("follow", broker.url, "--all", "--for", "2s")
    assert [line.split()[0] for line in ended.out.splitlines()[:2]] == ["left", "right"]


@pytest.mark.broker
def test_a_terminal_obeys_no_name_of_a_rig(broker, typed):
    from paho.mqtt import publish

    topics = [wire.topic(f"yard\x1b[2J{n}", "presence") for n in (1, 2)]
    here = presence_message("here")
    publish.multiple([(it, here, 1, True) for it in topics], broker.host, broker.port)
    try:
        listed = typed("follow", broker.url, "--for", "30s")
        every = typed("follow", broker.url, "--all", "--for", "1s")
    finally:
        publish.multiple([(it, b"", 1, True) for it in topics], broker.host, broker.port)
    assert listed.err.endswith(":\n  yard·[2J1\n  yard·[2J2\n")
    assert "yard·[2J1 " in every.out
    assert "\x1b" not in every.out


@pytest.mark.broker
def test_a_broker_without_a_rig_is_waited_for_and_said(broker, typed):
    ended = typed("follow", broker.url, "--json", "--for", "1s")
    assert (ended.code, ended.out) == (1, "")
    assert "no rig at this broker yet, waiting for one" in ended.err
    ended = typed("follow", broker.url, "yard/1 #+", "--json", "--for", "1s")
    assert ended.code == 1
    assert json.loads(ended.out.splitlines()[0])["state"] == "silent"


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("http://x",), "BROKER: found 'http://x', allowed is mqtt://HOST:PORT or mqtts://HOST:PORT"),
        (("mqtt://a:b@x",), "BROKER: found a password in a URL, which others can read"),
        (("mqtt://x", "--for", "long"), "--for: found 'long'"),
        (("mqtt://x", "--name", "a\nb"), "--name: found 'a\\nb', allowed is one line of text"),
        (("mqtt://x", "--password-file", "f"), "--password-file: found 'f', this key goes with a 'user' only"),
        (("mqtt://x", "--ca", "f"), "--ca: found 'f', this key goes with tls = true only"),
        ((), "follow needs a BROKER, or --schema"),
        (("mqtt://x", "rig", "--all"), "--all shows every rig: not with RIG or --actions"),
    ],
)
def test_a_call_that_is_wrong_is_one_sentence(typed, args, says):
    ended = typed("follow", *args)
    assert (ended.code, ended.out) == (2, "")
    assert says in ended.err
    assert "Traceback" not in ended.err


def test_the_schemas_of_all_five_topics_are_printed(typed):
    ended = typed("follow", "--schema")
    assert ended.code == 0
    assert list(json.loads(ended.out)) == [f"inchwatch/RIG/{leaf}" for leaf in wire.LEAVES]


def test_run_refuses_a_broker_that_is_none(typed, tmp_path):
    rig = tmp_path / "yard.toml"
    rig.write_text(rig_text(NAME))
    ended = typed("run", str(rig), "--headless", "--no-record", "--broker", "ftp://x")
    assert ended.code == 2
    assert ended.err == ("inchwatch run: --broker: found 'ftp://x', allowed is mqtt://HOST:PORT or mqtts://HOST:PORT\n")


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("--certificate", "c"), "--certificate and --key close the address of --serve: not without it"),
        (("--serve", "--certificate", "c", "--key", "k"), "--serve: found no certificate with its key in 'c' and 'k'"),
        (("--serve", "--key", "k"), "--serve: found one of certificate and key; allowed are both, or none"),
    ],
)
def test_a_certificate_for_nothing_is_refused(typed, tmp_path, args, says):
    rig = tmp_path / "yard.toml"
    rig.write_text(rig_text(NAME))
    ended = typed("run", str(rig), "--headless", "--no-record", *args)
    assert (ended.code, ended.out) == (2, "")
    assert says in ended.err


LINK = (
    '\n[link]\nhost = "192.0.2.5"\ntls = true\nca = "ca.pem"\nuser = "operator"\npassword_file = "operator.password"\n'
)


def test_the_rig_file_may_name_its_broker_and_a_call_another(tmp_path):
    from monitor.live.opening import link_of

    rig = parse_rig(rig_text("yard-panel") + LINK)
    assert link_of(parse_rig(rig_text("yard-panel")), None, tmp_path) is None
    here = link_of(rig, None, tmp_path)
    assert (here.host, here.port, here.ca, here.password_file) == (
        "192.0.2.5", 8883, str(tmp_path / "ca.pem"), str(tmp_path / "operator.password"),
    )  # fmt: skip
    there = link_of(rig, "mqtts://broker.example:99", tmp_path)
    assert (there.host, there.port, there.user, there.tls) == ("broker.example", 99, "operator", True)
    plain = link_of(parse_rig(rig_text("yard-panel")), "mqtt://me@x", tmp_path)
    assert (plain.host, plain.port, plain.user) == ("x", 1883, "me")
    assert isinstance(plain, Broker)


def test_a_faulty_link_table_is_a_fault_with_its_line(typed, tmp_path):
    rig = tmp_path / "yard.toml"
    rig.write_text(rig_text("yard-panel") + '\n[link]\nhost = "x"\nca = "ca.pem"\nqos = 1\n')
    ended = typed("check", str(rig))
    assert ended.code == 1
    line = rig_text("yard-panel").count("\n") + 4
    assert f"{rig}:{line}: link.ca: found 'ca.pem'; allowed is this key goes with tls = true only" in ended.err
    assert f"{rig}:{line + 1}: link.qos: found a key that means nothing here" in ended.err


@pytest.mark.broker
@pytest.mark.wires
def test_a_monitor_with_a_broker_of_its_own_is_followed_by_what_it_says(program, tmp_path, wait_until):
    """At an address everybody gives the password that was shown; with it the officer follows and STOP is confirmed. The address
    is closed by TLS, and when the broker is killed another takes its place."""
    authority = trustme.CA()
    authority.cert_pem.write_to_path(str(tmp_path / "ca.pem"))
    authority.issue_cert("127.0.0.1").private_key_and_cert_chain_pem.write_to_path(str(tmp_path / "host.pem"))
    tls = ("--certificate", "host.pem", "--key", "host.pem")
    rig = tmp_path / "yard.toml"
    rig.write_text(rig_text(NAME))
    ports = [word for it in parse_rig(rig_text(NAME)).port for word in ("--port", f"{it.name}={NOWHERE}")]
    kept = ("--record", "kept.jsonl", "--actions", "-")
    at = program("run", str(rig), "--headless", "--json", *ports, "--serve", "0.0.0.0", *tls, *kept, stdin=True)
    wait_until(lambda: "(may not): " in "\n".join(at.errors), 30.0, "how others follow")
    said = "\n".join(at.errors)
    assert "CAUTION" not in said
    port = said.split("inchwatch follow mqtts://officer@")[1].split()[0].rpartition(":")[2]
    (tmp_path / "word").write_text(said.split("(may not): ")[1].split()[0])
    (tmp_path / "word").chmod(0o600)
    url = f"mqtts://officer@127.0.0.1:{port}"
    known = ("--password-file", "word", "--ca", "ca.pem", "--name", "officer")
    officer = program("follow", url, "--json", "--actions", "-", *known, stdin=True)
    wait_until(lambda: officer.kind("picture"), 30.0, "a picture")
    officer.process.stdin.write('{"do": "stop", "reason": "crack"}\n')
    officer.process.stdin.flush()
    wait_until(lambda: any(it["rule"] == "stop-called" for it in officer.kind("alarm")), 30.0, "STOP at the caller")
    wait_until(lambda: any("crack" in it["text"] for it in at.kind("alarm")), 30.0, "STOP at the monitor")
    (shell,) = Path(f"/proc/{at.process.pid}/task/{at.process.pid}/children").read_text().split()
    children = Path(f"/proc/{shell}/task/{shell}/children").read_text().split()
    os.kill(next(int(it) for it in children if Path(f"/proc/{it}/comm").read_text() == "mosquitto\n"), signal.SIGKILL)
    wait_until(lambda: any("the broker ended (signal 9) and is begun again" in it for it in at.errors), 30.0, "its end")
    before = len(officer.kind("picture"))
    wait_until(lambda: len(officer.kind("picture")) > before + 1, 30.0, "pictures by the new broker")
    wait_until(lambda: at.errors[-1] == "inchwatch run: the link is up", 30.0, "an end of the trouble")
    wait_until(lambda: officer.kind("link")[-1]["state"] in ("ok", "call"), 30.0, "an end of the silence")
