"""The broker of our own: who may do what, where it listens, and that it ends with the monitor however that ends."""

from __future__ import annotations

import os
import signal
import socket
import ssl
import stat
import subprocess
import sys
import threading
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

import pytest
import trustme
from paho.mqtt import client as mqtt

from monitor.link.broker import NotServed, Served, serving
from monitor.link.keeper import Keeper

from ...conftest import _mosquitto, free_port
from ...processes import is_there

pytestmark = [pytest.mark.broker, pytest.mark.wires]


@pytest.fixture(autouse=True)
def there_is_one():
    _mosquitto()


class Guest:
    """A real client: what it was told on connecting, and what it hears."""

    def __init__(self, port: int, user: str | None = None, word: str | None = None, ca: ssl.SSLContext | None = None):
        self.said: str | None = None
        self.heard: list[tuple[str, bytes]] = []
        self._told, self._subscribed = threading.Event(), threading.Event()
        self.client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        if user is not None:
            self.client.username_pw_set(user, word)
        if ca is not None:
            self.client.tls_set_context(ca)
        self.client.on_connect = self._on_connect
        self.client.on_message = lambda _c, _u, it: self.heard.append((it.topic, it.payload))
        self.client.on_subscribe = lambda *_: self._subscribed.set()
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert self._told.wait(10.0), "no answer"

    def _on_connect(self, client, _user, _flags, reason, _properties):
        self.said = str(reason)
        self._told.set()

    def listen(self) -> Guest:
        self.client.subscribe("inchwatch/#", 1)
        assert self._subscribed.wait(10.0)
        return self

    def say(self, leaf: str, payload: str) -> None:
        self.client.publish(f"inchwatch/yard/{leaf}", payload, 1).wait_for_publish(10.0)

    def leave(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@contextmanager
def guests(*made: Guest):
    try:
        yield made
    finally:
        for it in made:
            it.leave()


def operator(it: Served) -> Guest:
    url = urlsplit(it.url)
    return Guest(url.port, url.username, Path(it.password_file).read_text().strip())


def far_port(it: Served) -> int:
    return urlsplit(it.follow).port


def test_on_the_loopback_all_may_follow_and_call_and_only_the_monitor_shows_pictures(wait_until):
    with serving() as it:
        port = urlsplit(it.url).port
        assert it.follow == f"mqtt://127.0.0.1:{port}"
        assert (it.password, it.caution) == (None, "")
        with guests(operator(it).listen(), Guest(port).listen(), Guest(port, "operator", "guessed")) as (
            us,
            guest,
            liar,
        ):
            assert (us.said, guest.said, liar.said) == ("Success", "Success", "Not authorized")
            guest.say("picture", "false")
            guest.say("presence", "false")
            guest.say("call", "stop")
            us.say("picture", "true")
            wait_until(lambda: len(guest.heard) == 2, what="what may be heard")
            assert sorted(guest.heard) == [("inchwatch/yard/call", b"stop"), ("inchwatch/yard/picture", b"true")]
            wait_until(lambda: us.heard, what="the call")
            assert us.heard == [("inchwatch/yard/call", b"stop")]


def test_at_a_told_address_everybody_has_a_name_and_a_screen_cannot_call(wait_until):
    with serving(f"0.0.0.0:{free_port()}") as it:
        port, word = far_port(it), it.password
        assert word is not None
        assert len(word) >= 16
        assert it.caution.startswith("CAUTION: no TLS")
        assert word in it.words
        assert word not in it.follow
        us, officer, screen = operator(it).listen(), Guest(port, "officer", word).listen(), Guest(port, "screen", word)
        strangers = [
            Guest(port),
            Guest(port, "officer", word + "x"),
            Guest(port, "operator", word),
            Guest(port, "node", ""),
        ]
        with guests(us, officer, screen, *strangers):
            assert [one.said for one in strangers] == ["Not authorized"] * 4
            assert [one.said for one in (us, officer, screen)] == ["Success"] * 3
            screen.say("call", "from the screen")
            officer.say("alarms", "false")
            officer.say("call", "from the officer")
            wait_until(lambda: us.heard, what="the officer's call")
            assert us.heard == [("inchwatch/yard/call", b"from the officer")]
            assert officer.heard == us.heard


def test_with_a_certificate_the_address_is_tls_and_needs_no_caution(tmp_path):
    authority = trustme.CA()
    host = authority.issue_cert("127.0.0.1")
    host.private_key_and_cert_chain_pem.write_to_path(str(tmp_path / "host.pem"))
    context = ssl.create_default_context()
    authority.configure_trust(context)
    pem = str(tmp_path / "host.pem")
    with serving(f"0.0.0.0:{free_port()}", password="a word of theirs", certificate=pem, key=pem) as it:
        assert it.follow.startswith("mqtts://officer@")
        assert (it.caution, it.password) == ("", "a word of theirs")
        with guests(Guest(far_port(it), "officer", "a word of theirs", context), operator(it)) as both:
            assert [one.said for one in both] == ["Success", "Success"]
        assert "--ca FILE" in it.words
    with (
        pytest.raises(NotServed, match=r"found a certificate for 127\.0\.0\.1, .*allowed is one with an ADDRESS"),
        serving(certificate=pem, key=pem),
    ):
        pass


def test_what_it_needs_on_the_disk_is_its_owners_and_goes_with_it():
    with serving() as it:
        folder = Path(it.password_file).parent
        modes = {file.name: stat.S_IMODE(file.stat().st_mode) for file in [folder, *folder.iterdir()]}
        assert modes == {
            folder.name: 0o700,
            **dict.fromkeys(("acl", "mosquitto.conf", "operator.password", "said", "users"), 0o600),
        }
        assert Path(it.password_file).read_text().strip() not in (folder / "users").read_text()
    assert not folder.exists()


STARTS = """
import os, sys
from monitor.link.broker import serving
with serving() as it:
    print(it.url, it.password_file, it.keeper.pid, flush=True)
    sys.stdin.read()
"""


@pytest.mark.parametrize("end", [signal.SIGKILL, signal.SIGTERM])
def test_it_ends_with_the_monitor_however_that_ends(wait_until, end):
    monitor = subprocess.Popen(
        [sys.executable, "-c", STARTS], stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=Path(__file__).parents[3]
    )
    try:
        url, password, pid = monitor.stdout.readline().decode().split()
        with guests(Guest(urlsplit(url).port)) as (guest,):
            assert guest.said == "Success"
        monitor.send_signal(end)
        monitor.wait(10.0)
        wait_until(lambda: not Path(password).parent.exists(), what="the end of its folder")
        wait_until(lambda: not is_there(int(pid)), what="the end of the broker")
        with pytest.raises(ConnectionRefusedError):
            mqtt.Client(mqtt.CallbackAPIVersion.VERSION2).connect("127.0.0.1", urlsplit(url).port)
    finally:
        monitor.kill()
        monitor.communicate()


def test_it_is_begun_again_when_it_dies_and_what_became_of_it_is_said(wait_until):
    said = []
    with serving() as it:
        it.keeper.said = said.append
        for times in (1, 2):
            before = it.keeper.broker
            os.kill(before, signal.SIGKILL)
            wait_until(
                lambda n=times: said == ["the broker ended (signal 9) and is begun again", ""] * n, what="a new one"
            )
            assert it.keeper.broker not in (None, before)
            with guests(operator(it)) as (us,):
                assert us.said == "Success"
        folder, last = Path(it.password_file).parent, it.keeper.broker
    assert not is_there(last)
    assert not folder.exists()
    assert len(said) == 4


def test_what_each_run_of_a_broker_said_last_is_told_however_late_it_is_heard(tmp_path, wait_until):
    program, go, runs = tmp_path / "broker", tmp_path / "go", tmp_path / "runs"
    program.write_text(
        f"#!/bin/sh\nuntil [ -e {go} ]; do sleep 0.05; done\n"
        f'echo run >> {runs}; echo "1: Error: number $(wc -l < {runs})" >&2; exit 1\n'
    )
    program.chmod(0o700)
    said = []

    def late(text):
        said.append(text)
        wait_until(lambda: len(runs.read_text().split()) > 1, 20.0, what="the next run")

    keeper = Keeper(str(program), tmp_path, set())
    try:
        keeper.said = late
        go.touch()
        wait_until(lambda: len(said) > 1, 20.0, what="two ends")
    finally:
        keeper.end()
    assert said[:2] == [f"the broker ended (number {number}) and is begun again" for number in (1, 2)]


def test_a_broker_that_cannot_be_begun_again_is_tried_for_and_goes_with_the_monitor(wait_until):
    """Another program has taken its port meanwhile."""
    said = []
    with serving() as it:
        port = urlsplit(it.url).port
        it.keeper.said = said.append
        os.kill(it.keeper.pid, signal.SIGSTOP)  # so that it does not begin it again before the other is there
        os.kill(it.keeper.broker, signal.SIGKILL)
        with socket.socket() as other:
            other.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            wait_until(lambda: not fails(lambda: other.bind(("127.0.0.1", port))), what="its port")
            other.listen()
            os.kill(it.keeper.pid, signal.SIGCONT)
            wait_until(lambda: len(said) > 1, 20.0, what="what is wrong")
            again = "the broker ended ({}) and is begun again"
            assert said[:2] == [again.format("signal 9"), again.format("Address already in use")]
        wait_until(lambda: said[-1] == "", 20.0, "a broker once the port is free")
        shell = it.keeper.pid
    assert not is_there(shell)


def fails(do) -> bool:
    try:
        do()
    except OSError:
        return True
    return False


def test_a_port_that_somebody_has_is_refused_where_it_was_told():
    with serving() as it:
        port = urlsplit(it.url).port
        with (
            pytest.raises(NotServed, match=r"found ':\d+' \(address already in use\), allowed is an address of this"),
            serving(f":{port}"),
        ):
            pass
        with serving() as other:
            assert urlsplit(other.url).port != port


@pytest.mark.parametrize(
    "address", ["host:0", "host:x", "127.0.0.1:70000", ":", "192.0.2.7", "no.such.host.invalid", "a b"]
)
def test_what_is_no_address_of_this_computer_is_refused(address):
    with pytest.raises(NotServed, match=r"^found '.*allowed is"), serving(address):
        pass


@pytest.mark.parametrize("certificate", [None, "no.pem", "odd.pem"])
def test_a_certificate_goes_with_its_key(tmp_path, certificate):
    (tmp_path / "odd.pem").write_text("nothing\n")
    file = certificate and str(tmp_path / certificate)
    with pytest.raises(NotServed, match=r"^found .*certificate.*; allowed "), serving(certificate=file, key="key.pem"):
        pass


def test_where_there_is_no_mosquitto_it_is_said_in_a_sentence(monkeypatch):
    monkeypatch.setattr("monitor.link.broker.shutil.which", lambda *_, **__: None)
    with (
        pytest.raises(NotServed, match=r"^found no mosquitto on this computer; allowed is --serve with it installed"),
        serving(),
    ):
        pass
