"""Closed wires: a real broker with TLS, client certificates and passwords, and what is said where it does not let us in."""

from __future__ import annotations

import math
import shutil
import ssl
import subprocess
import threading
import time
from datetime import UTC, datetime, timedelta

import pytest
import trustme
from paho.mqtt import publish

from drivers import secure
from drivers.config import Channel
from drivers.kinds.mqtt import MqttPort
from drivers.ports import open_port

from .conformance import Conformance, Heard
from .test_conformance import Topic

CHANNEL = Channel(
    name="t", quantity="angle", source={"port": "it", "topic": "yard/t", "format": "number", "unit": "deg"}
)
SECRET = "an invented password"  # invented, like every other here


@pytest.fixture
def files(tmp_path):
    """An authority, a broker's certificate, a client's, and a file of users, all beside the broker's configuration."""
    ours = trustme.CA()
    ours.cert_pem.write_to_path(tmp_path / "ca.pem")
    write(ours.issue_cert("127.0.0.1"), tmp_path, "host")
    write(ours.issue_cert("screen.example"), tmp_path, "screen")
    (tmp_path / "password").write_text(f"{SECRET}\n")
    (tmp_path / "password").chmod(0o600)
    return ours, tmp_path


def write(certificate, folder, name):
    certificate.private_key_pem.write_to_path(folder / f"{name}.key")
    (folder / f"{name}.key").chmod(0o600)
    (folder / f"{name}.pem").write_bytes(b"".join(it.bytes() for it in certificate.cert_chain_pems))


def users(folder, **secrets):
    program = shutil.which("mosquitto_passwd")
    if program is None:
        pytest.skip("no mosquitto_passwd on this machine: passwords are not tested")
    (folder / "users").touch(mode=0o600)
    for name, secret in secrets.items():
        subprocess.run([program, "-b", "users", name, secret], cwd=folder, check=True, capture_output=True)


TLS = "allow_anonymous true\ncafile ca.pem\ncertfile host.pem\nkeyfile host.key\n"
WITH_CERTIFICATE = TLS + "require_certificate true\n"
WITH_USERS = "allow_anonymous false\npassword_file users\ncafile ca.pem\ncertfile host.pem\nkeyfile host.key\n"


def config(broker, folder, **more):
    given = {"name": "it", "driver": "mqtt", "host": broker.host, "port": broker.port, "tls": True, "ca": "ca.pem"}
    return MqttPort.model_validate(given | more).beside(folder)


@pytest.fixture
def said(wait_until):
    """The first sentence of a port on a broker that does not let it in; then that it goes on trying."""
    running = []

    def of(config):
        heard = Heard()
        port = open_port(config, [CHANNEL], heard, time.monotonic_ns)
        running.append(port)
        port.start()
        wait_until(lambda: heard.links)
        assert heard.links == [False]
        text = heard.all[0].text
        assert "\n" not in text
        assert "driver fault" not in text
        assert f"(broker {config.host}:{config.port})" in text
        return text, heard

    yield of
    for port in running:
        port.stop()


def speak(broker, folder, degrees, **who):
    """A node that the broker lets in says a value; of the broker's certificate it asks nothing."""
    tls = {"ca_certs": str(folder / "ca.pem"), "cert_reqs": ssl.CERT_NONE, "insecure": True}
    if "certificate" in who:
        tls |= {"certfile": str(folder / "screen.pem"), "keyfile": str(folder / "screen.key")}
    auth = {"username": "screen", "password": SECRET} if "user" in who else None
    publish.single("yard/t", str(degrees), 1, hostname=broker.host, port=broker.port, tls=tls, auth=auth)


def values(heard):
    return [round(math.degrees(it)) for it in heard.values("t")]


class Closed(Topic):
    """What every driver must do, through TLS, with a client certificate, a user and a password."""

    def __init__(self, broker, folder):
        self.folder = folder
        super().__init__(broker)
        self.config = config(
            broker,
            folder,
            certificate="screen.pem",
            key="screen.key",
            user="screen",
            password_file="password",
        )

    def prepare(self, client):
        client.tls_set(str(self.folder / "ca.pem"), str(self.folder / "screen.pem"), str(self.folder / "screen.key"))
        client.username_pw_set("screen", SECRET)


class TestClosed(Conformance):
    @pytest.fixture
    def far(self, files, any_broker):
        _, folder = files
        users(folder, screen=SECRET)
        it = Closed(any_broker(WITH_USERS + "require_certificate true\n"), folder)
        yield it
        it.close()


def test_nothing_that_is_said_stands_on_the_wire_in_clear_text(files, any_broker, wait_until):
    """A listener that takes down what a port sends first: a TLS handshake (RFC 8446 section 5.1), and never the password."""
    import socket

    _, folder = files
    taken = []
    with socket.create_server(("127.0.0.1", 0)) as server:

        def listen():
            server.settimeout(20.0)
            for _ in range(3):
                with server.accept()[0] as client:
                    taken.append(client.recv(4096))

        listener = threading.Thread(target=listen)
        listener.start()

        class Where:
            host, port = server.getsockname()

        heard = Heard()
        port = open_port(
            config(Where, folder, user="screen", password_file="password"), [CHANNEL], heard, time.monotonic_ns
        )
        port.start()
        try:
            wait_until(lambda: len(taken) == 3, 20.0)
        finally:
            port.stop()
            listener.join()
    assert all(data[:2] == b"\x16\x03" for data in taken), "each try begins with a handshake record"
    assert not any(SECRET.encode() in data for data in taken)
    assert "no TLS found" in heard.all[0].text
    assert "nothing is sent in clear text" in heard.all[0].text


@pytest.mark.fault("broker-without-tls")
def test_a_broker_without_tls_is_not_spoken_to(files, broker, said, fault):
    _, folder = files
    it = config(broker, folder)
    text, heard = said(it)
    assert text.startswith("no TLS found")
    publish.single("yard/t", "1", 1, hostname=broker.host, port=broker.port)
    fault.shown(heard.all, it, [CHANNEL], heard.begun_ns)
    fault.lost([1], values(heard), befell=[1])


@pytest.mark.fault("certificate-foreign")
def test_a_foreign_authority_is_named_and_its_mending_is_noticed(files, any_broker, said, wait_until, fault):
    ours, folder = files
    trustme.CA().cert_pem.write_to_path(folder / "other.pem")
    broker = any_broker(TLS)
    it = config(broker, folder, ca="other.pem")
    text, heard = said(it)
    fault.shown(heard.all, it, [CHANNEL], heard.begun_ns)
    speak(broker, folder, 1)
    assert text.startswith("foreign host certificate found")
    assert f"allowed is one signed by {folder / 'other.pem'}" in text
    ours.cert_pem.write_to_path(folder / "other.pem")
    wait_until(lambda: heard.links == [False, True], what="the mended file")
    speak(broker, folder, 2)
    wait_until(lambda: values(heard))
    fault.lost([1, 2], values(heard), befell=[1])


@pytest.mark.fault("authority-missing")
def test_without_an_authority_of_our_own_those_of_the_machine_count(files, any_broker, said, fault):
    _, folder = files
    broker = any_broker(TLS)
    it = config(broker, folder, ca=None)
    text, heard = said(it)
    speak(broker, folder, 1)
    fault.shown(heard.all, it, [CHANNEL], heard.begun_ns)
    fault.lost([1], values(heard), befell=[1])
    assert "foreign host certificate" in text
    assert "an authority this machine knows" in text


@pytest.mark.parametrize(
    ("days", "sentence"),
    [
        pytest.param((-3, -1), "expired host certificate found", marks=pytest.mark.fault("certificate-expired")),
        pytest.param((1, 3), "host certificate not valid yet found", marks=pytest.mark.fault("certificate-early")),
    ],
)
def test_a_certificate_out_of_its_time(files, any_broker, said, days, sentence, fault):
    ours, folder = files
    begin, end = (datetime.now(UTC) + timedelta(days=it) for it in days)
    write(ours.issue_cert("127.0.0.1", not_before=begin, not_after=end), folder, "host")
    broker = any_broker(TLS)
    it = config(broker, folder)
    text, heard = said(it)
    assert sentence in text
    assert "allowed is one valid today" in text
    speak(broker, folder, 1)
    fault.shown(heard.all, it, [CHANNEL], heard.begun_ns)
    fault.lost([1], values(heard), befell=[1])


@pytest.mark.parametrize("name", ["broker.example", "127.0.0.2"])
def test_a_certificate_of_another_host(files, any_broker, said, name):
    ours, folder = files
    write(ours.issue_cert(name), folder, "host")
    text, _ = said(config(any_broker(TLS), folder))
    assert "misnamed host certificate found; allowed is one for '127.0.0.1'" in text


@pytest.mark.fault("client-certificate-missing")
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_no_client_certificate_where_the_broker_asks_for_one(files, any_broker, said, protocol, fault):
    _, folder = files
    broker = any_broker(WITH_CERTIFICATE)
    it = config(broker, folder, protocol=protocol)
    text, heard = said(it)
    assert "client certificate" in text
    speak(broker, folder, 1, certificate=True)
    fault.shown(heard.all, it, [CHANNEL], heard.begun_ns)
    fault.lost([1], values(heard), befell=[1])


def test_a_client_certificate_of_a_foreign_authority(files, any_broker, said):
    _, folder = files
    write(trustme.CA().issue_cert("screen.example"), folder, "strange")
    text, _ = said(config(any_broker(WITH_CERTIFICATE), folder, certificate="strange.pem", key="strange.key"))
    assert (
        "refused" in text or "may not take" in text
    )  # as an alert, or where that is lost with the wire, as what may be behind it
    assert f"'{folder / 'strange.pem'}'" in text


@pytest.mark.fault("password-wrong")
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_wrong_password_names_its_file_and_never_itself(files, any_broker, said, wait_until, protocol, fault):
    _, folder = files
    users(folder, screen=SECRET)
    (folder / "password").write_text("not it\n")
    broker = any_broker(WITH_USERS)
    it = config(broker, folder, protocol=protocol, user="screen", password_file="password")
    text, heard = said(it)
    assert text.startswith("refused: ")
    assert f"found user 'screen' with the password of {folder / 'password'}" in text
    assert "not it" not in text
    fault.shown(heard.all, it, [CHANNEL], heard.begun_ns)
    speak(broker, folder, 1, user=True)
    (folder / "password").write_text(SECRET)
    wait_until(lambda: heard.links == [False, True], what="the right password")
    speak(broker, folder, 2, user=True)
    wait_until(lambda: values(heard))
    fault.lost([1, 2], values(heard), befell=[1])


def test_no_user_where_the_broker_asks_for_one(files, any_broker, said):
    _, folder = files
    users(folder, screen=SECRET)
    text, _ = said(config(any_broker(WITH_USERS), folder))
    assert "found no user" in text


@pytest.mark.fault("password-open")
@pytest.mark.parametrize("mode", [0o644, 0o640, 0o604, 0o660, 0o620])
def test_a_password_that_others_may_read_is_not_used(files, any_broker, said, wait_until, mode, fault):
    _, folder = files
    users(folder, screen=SECRET)
    (folder / "password").chmod(mode)
    broker = any_broker(WITH_USERS)
    it = config(broker, folder, user="screen", password_file="password")
    text, heard = said(it)
    fault.shown(heard.all, it, [CHANNEL], heard.begun_ns)
    speak(broker, folder, 1, user=True)
    assert f"found password file '{folder / 'password'}' with mode {mode:03o}; allowed is 600 or 400" in text
    (folder / "password").chmod(0o400)
    wait_until(lambda: heard.links == [False, True], what="the closed file")
    speak(broker, folder, 2, user=True)
    wait_until(lambda: values(heard))
    fault.lost([1, 2], values(heard), befell=[1])


def test_a_private_key_that_others_may_read_is_not_used(files, any_broker, said):
    _, folder = files
    (folder / "screen.key").chmod(0o644)
    text, _ = said(config(any_broker(WITH_CERTIFICATE), folder, certificate="screen.pem", key="screen.key"))
    assert "found private key" in text
    assert "with mode 644" in text


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "found no single line"),
        (b"two\nlines\n", "found no single line"),
        (b"\xff\xfe", "found bytes that are no text"),
        (b"x" * 1025, "found no single line"),
        (None, "found no readable file"),
    ],
)
def test_a_password_file_that_is_none(files, content, sentence):
    _, folder = files
    if content is None:
        (folder / "password").unlink()
    else:
        (folder / "password").write_bytes(content)
    it = MqttPort(name="it", driver="mqtt", host="h", user="screen", password_file="password").beside(folder)
    with pytest.raises(secure.NotSecure, match=sentence):
        secure.password(it)


def test_a_password_keeps_its_spaces_and_a_folder_is_no_file(files):
    _, folder = files
    (folder / "password").write_text("  with spaces \r\n")
    it = MqttPort(name="it", driver="mqtt", host="h", user="screen", password_file="password").beside(folder)
    assert secure.password(it) == "  with spaces "
    with pytest.raises(secure.NotSecure, match="no plain file"):
        secure.password(it.model_copy(update={"password_file": str(folder)}))


@pytest.mark.parametrize(("key", "content"), [("ca", b"no certificate"), ("ca", None), ("certificate", b"neither")])
def test_a_file_that_holds_no_certificate(files, key, content):
    _, folder = files
    wrong = folder / "wrong.pem"
    if content is not None:
        wrong.write_bytes(content)
        wrong.chmod(0o600)
    it = MqttPort.model_validate(
        {"name": "it", "driver": "mqtt", "host": "h", "tls": True, "ca": "ca.pem", key: "wrong.pem"}
    )
    with pytest.raises(secure.NotSecure, match=r"no TLS: found no certificate .*wrong\.pem"):
        secure.context(it.beside(folder))


def test_a_key_with_a_password_of_its_own_asks_nobody(files):
    from cryptography.hazmat.primitives import serialization as form

    _, folder = files
    key = form.load_pem_private_key((folder / "screen.key").read_bytes(), None)
    sealed = key.private_bytes(
        form.Encoding.PEM, form.PrivateFormat.TraditionalOpenSSL, form.BestAvailableEncryption(b"x")
    )
    (folder / "screen.key").write_bytes(sealed)
    it = MqttPort(name="it", driver="mqtt", host="h", tls=True, ca="ca.pem", certificate="screen.pem", key="screen.key")
    with pytest.raises(secure.NotSecure, match="nobody could type"):
        secure.context(it.beside(folder))
