"""A broker of our own for where none is at hand: an installed mosquitto, started with a configuration that is safe, for as long
as the monitor runs.

It listens on the loopback unless an address is told. There anyone on this computer may follow and call STOP; at a told address
nobody without a name and its password. Only the monitor itself, by a secret of this session, may say what a picture is. Nothing
is kept. It ends with the monitor, however that ends, and what it needed on the disk goes with it; if it ends before, it is begun
again (`keeper.py`).
"""

from __future__ import annotations

import base64
import hashlib
import ipaddress
import os
import pwd
import secrets
import shutil
import socket
import ssl
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from monitor.link.keeper import Keeper

PORT, TLS_PORT = 1883, 8883
"""Registered for MQTT in clear text and over TLS: taken where they are free and no other is told."""
_LOOPBACK = "127.0.0.1"
_WORDS = "abcdefghkmnpqrstuvwxyz23456789"
"""Letters that are not mistaken for each other when a password is read out."""

_ACL = """\
# Who has no name, where that is let in, or the name `officer`: reads, and may call STOP.
{guest}topic read inchwatch/#
topic write inchwatch/+/call

# The monitor itself. Only this user says what a picture is.
user operator
topic write inchwatch/+/rig
topic write inchwatch/+/presence
topic write inchwatch/+/picture
topic write inchwatch/+/alarms
topic readwrite inchwatch/+/call

# Screens read.
user screen
topic read inchwatch/#
"""


class NotServed(ValueError):
    """There is no broker. The message says what was found and what is allowed."""


@dataclass(frozen=True, slots=True)
class Served:
    """A broker that runs. `url` and `password_file` are the monitor's own; `follow` is where others find it, with the name they
    use (none on the loopback) and their `password`; `caution` is what must be said of it, or ""."""

    url: str
    password_file: str
    follow: str
    password: str | None
    caution: str
    keeper: Keeper

    @property
    def words(self) -> str:
        """What a person needs to follow, in one line for each thing."""
        lines = [f"others follow with: inchwatch follow {self.follow}"]
        if self.follow.startswith("mqtts:"):
            lines.append("and with --ca FILE, its authority, where their computer does not know it")
        if self.password is not None:
            lines.append(f"the password of officer (may call STOP) and of screen (may not): {self.password}")
        return "\n".join([*lines, *filter(None, [self.caution])])


@contextmanager
def serving(
    address: str | None = None,
    *,
    password: str | None = None,
    certificate: str | None = None,
    key: str | None = None,
) -> Iterator[Served]:
    """A broker for as long as this lasts; raises NotServed.

    `address`: HOST, HOST:PORT or :PORT; None and :PORT are the loopback, 0.0.0.0 is every address of this computer. `password`:
    of those who follow from elsewhere, made anew where it is None. `certificate` and `key` (PEM files): TLS at that address.
    """
    program = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
    if program is None:
        raise NotServed(
            "found no mosquitto on this computer; allowed is --serve with it installed, or --broker with another"
        )
    host, port = _placed(address)
    far = not ipaddress.ip_address(host).is_loopback
    home = _LOOPBACK if far else host
    tls = _tls(certificate, key)
    if tls and not far:
        raise NotServed(f"found a certificate for {host}, which nobody else hears; allowed is one with an ADDRESS")
    if far and password is None:
        password = "-".join("".join(secrets.choice(_WORDS) for _ in range(4)) for _ in range(4))
    folder = Path(tempfile.mkdtemp(prefix="inchwatch-broker-"))  # readable by its owner alone
    own = secrets.token_urlsafe(32)
    _write(folder / "operator.password", own + "\n")
    _write(folder / "acl", _ACL.format(guest="user officer\n" if far else ""))
    guests = {"officer": password, "screen": password} if far and password else {}
    _write(folder / "users", "".join(f"{name}:{_hashed(word)}\n" for name, word in {"operator": own, **guests}.items()))
    near, there = _ports(host, port, TLS_PORT if tls else PORT, far)
    _write(folder / "mosquitto.conf", _configuration(folder, host, near, there if far else None, tls))
    keeper = Keeper(program, folder, {(home, near), (host, there)})
    try:
        if not keeper.started():
            raise NotServed(keeper.trouble.replace(" and is begun again", "") or "the broker does not answer")
        scheme = "mqtts" if tls else "mqtt"
        shown = socket.gethostname() if host in ("0.0.0.0", "::") else host
        yield Served(
            url=f"mqtt://operator@{_bracketed(home)}:{near}",
            password_file=str(folder / "operator.password"),
            follow=f"{scheme}://officer@{_bracketed(shown)}:{there}" if far else f"mqtt://{_bracketed(home)}:{near}",
            password=password if far else None,
            caution=_CLEAR if far and not tls else "",
            keeper=keeper,
        )
    finally:
        keeper.end()
        shutil.rmtree(folder, ignore_errors=True)


_CLEAR = (
    "CAUTION: no TLS: whoever is on this network can read the password and call STOP with it, or hold pictures up; "
    "give --certificate and --key, or stay on a network of your own"
)


def _tls(certificate: str | None, key: str | None) -> str:
    """The lines of a configuration that close an address by TLS; none where there is no certificate. Raises NotServed."""
    if certificate is None and key is None:
        return ""
    if certificate is None or key is None:
        raise NotServed("found one of certificate and key; allowed are both, or none")
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(certificate, key, password=_no_prompt)
    except (OSError, ValueError) as error:  # the broker would listen first, and then find out
        why = str(getattr(error, "reason", None) or getattr(error, "strerror", None) or error).lower().replace("_", " ")
        raise NotServed(
            f"found no certificate with its key in '{certificate}' and '{key}' ({why}); allowed is PEM"
        ) from None
    return f"certfile {os.path.abspath(certificate)}\nkeyfile {os.path.abspath(key)}\n"


def _no_prompt() -> str:
    raise ValueError("the key has a password of its own, which nobody could type")


def _placed(address: str | None) -> tuple[str, int | None]:
    """(host, port or None) of what was told. Raises NotServed."""
    text = "" if address is None else address
    host, colon, number = text.rpartition(":") if not text.endswith("]") else (text, "", "")
    if not colon or (":" in host and not host.startswith("[")):  # a bare address of version 6 has colons and no port
        host, number = text, ""
    if (number and not (number.isascii() and number.isdigit() and 0 < int(number[:6]) < 65536)) or (
        colon and text == ":"
    ):
        raise NotServed(f"found '{address}', allowed is HOST, HOST:PORT or :PORT with a port of 1 to 65535")
    host = host.removeprefix("[").removesuffix("]") or _LOOPBACK
    port = int(number) if number else None
    try:
        found = socket.getaddrinfo(host, port or 0, type=socket.SOCK_STREAM)
        with socket.socket(found[0][0], socket.SOCK_STREAM) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind(found[0][4])
    except (OSError, UnicodeError) as error:
        why = str(getattr(error, "strerror", None) or error).lower()
        raise NotServed(
            f"found '{address}' ({why}), allowed is an address of this computer, a port nobody has"
        ) from None
    return str(found[0][4][0]), port


def _ports(host: str, told: int | None, usual: int, far: bool) -> tuple[int, int]:
    """(the monitor's own port on the loopback, the port at the told address), which on the loopback are one."""
    if not far:
        one = told or _free(host, usual)
        return one, one
    return _free(_LOOPBACK, 0), told or _free(host, usual)


def _free(host: str, usual: int) -> int:
    """The usual port where nobody has it, else any; no other program is kept from taking it."""
    with socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, usual))
        except OSError:
            probe.bind((host, 0))
        return int(probe.getsockname()[1])


def _configuration(folder: Path, host: str, near: int, there: int | None, tls: str) -> str:
    return (
        f"{_as_us()}per_listener_settings false\nallow_anonymous {'true' if there is None else 'false'}\n"
        f"password_file {folder / 'users'}\nacl_file {folder / 'acl'}\npersistence false\nset_tcp_nodelay true\n"
        "max_queued_messages 1000\nmessage_size_limit 262144\nlog_dest stderr\nlog_type error\nlog_type warning\n"
        f"listener {near} {_LOOPBACK if there is not None else host}\nmax_connections 64\n"
        + ("" if there is None else f"listener {there} {host}\nmax_connections 64\n{tls}")
    )


def _as_us() -> str:
    """Started by root it would run as a user of its own, who could not read what we wrote."""
    try:
        return f"user {pwd.getpwuid(os.getuid()).pw_name}\n"
    except KeyError:
        return ""


def _write(file: Path, text: str) -> None:
    """A file that its owner alone may read."""
    with open(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w", encoding="utf-8") as out:
        out.write(text)


_ROUNDS = 10_000


def _hashed(password: str) -> str:
    """A password as mosquitto's password file holds it: PBKDF2 with SHA-512 (RFC 8018), its form 7."""
    salt = secrets.token_bytes(12)
    key = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, _ROUNDS)
    return f"$7${_ROUNDS}${base64.b64encode(salt).decode()}${base64.b64encode(key).decode()}"


def _bracketed(host: str) -> str:
    return f"[{host}]" if ":" in host else host
