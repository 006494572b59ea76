"""The body of `inchwatch web`: a screen command served to browsers, with a password, on the loopback unless told otherwise."""

from __future__ import annotations

import asyncio
import ipaddress
import os
import secrets
import signal
import socket
import ssl
import stat
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

SCREENS = ("demo", "follow", "replay")
"""Commands that may be served: each visitor gets one of their own, so none that opens a rig's ports or keeps a recording."""
_LIVE = ("demo", "follow")
PORT = 8080
_LONGEST = 1024
_LETTERS = "abcdefghkmnpqrstuvwxyz23456789"


class BadCall(ValueError):
    """The call is wrong. The message says what was found and what is allowed."""


@dataclass(frozen=True, slots=True)
class Call:
    """What was typed after `inchwatch web`."""

    args: list[str] = field(default_factory=list)
    listen: str | None = None
    password_file: str | None = None
    password_env: str | None = None
    certificate: str | None = None
    key: str | None = None
    most: int = 8


def web(call: Call, told: Callable[[str], None] | None = None) -> int:
    """Serve until interrupted; returns the exit code. `told` is given the address once it is served there."""
    try:
        if not call.args or call.args[0] not in SCREENS:
            found = f"'{call.args[0]}'" if call.args else "no screen"
            raise BadCall(f"found {found}, allowed is one of {', '.join(SCREENS)}, with its arguments")
        if call.most < 1:
            raise BadCall(f"--most: found {call.most}, allowed is 1 or more")
        where = placed(call.listen)
        word, made = password(call)
        tls = closed_by(call.certificate, call.key)
    except BadCall as error:
        print(f"inchwatch web: {error}", file=sys.stderr)
        return 2
    try:
        import aiohttp  # noqa: F401
        import textual_serve  # noqa: F401
    except ImportError as error:
        print(f"inchwatch web: found no {error.name}; allowed is: pip install 'inchwatch[web]'", file=sys.stderr)
        return 2
    try:
        return asyncio.run(_serve(call, where, word, made, tls, told))
    except KeyboardInterrupt:
        return 0
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        print(f"inchwatch web: cannot listen at {where[0]}:{where[1]} ({why})", file=sys.stderr)
        return 2


async def _serve(
    call: Call,
    where: tuple[str, int],
    word: str,
    made: bool,
    tls: ssl.SSLContext | None,
    told: Callable[[str], None] | None,
) -> int:
    from aiohttp import web as http

    from monitor.web.server import Doors

    hidden = [call.password_env] if call.password_env else []
    doors = Doors(call.args, word, most=call.most, live=call.args[0] in _LIVE, hidden=hidden, tls=tls is not None)
    runner = http.AppRunner(doors.application(), access_log=None, shutdown_timeout=5.0)
    await runner.setup()
    done = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, done.set)
    try:
        site = http.TCPSite(runner, *where, ssl_context=tls)
        await site.start()
        port = runner.addresses[0][1]
        host = f"[{where[0]}]" if ":" in where[0] else where[0]
        shown = socket.gethostname() if where[0] in ("0.0.0.0", "::") else host
        address = f"http{'s' if tls else ''}://{shown}:{port}"
        print(f"{' '.join(call.args)} for browsers at {address} (any name; Ctrl-C ends it)", file=sys.stderr)
        if made:
            print(f"the password, for this time: {word}", file=sys.stderr)
        if tls is None and not ipaddress.ip_address(where[0]).is_loopback:
            print(_CLEAR, file=sys.stderr)
        if told is not None:
            told(f"http{'s' if tls else ''}://127.0.0.1:{port}")
        await done.wait()
    finally:
        await runner.cleanup()
    return 0


_CLEAR = (
    "CAUTION: no TLS: whoever is on this network can read the password and what is shown, and change it on its way; "
    "give --certificate and --key, or stay on a network of your own"
)


def password(call: Call) -> tuple[str, bool]:
    """(the password, whether it was made just now), from its variable or its file. Raises BadCall.

    A file is one line, and only its owner may read it.
    """
    if call.password_env is not None and call.password_file is not None:
        raise BadCall("found --password-env and --password-file; allowed is one of them")
    if call.password_env is not None:
        word = os.environ.get(call.password_env, "")
        if not word:
            raise BadCall(f"--password-env: the variable {call.password_env} is not set")
        return word, False
    if call.password_file is None:
        return "-".join("".join(secrets.choice(_LETTERS) for _ in range(4)) for _ in range(4)), True
    name = call.password_file
    try:
        mode = os.stat(name).st_mode
        if stat.S_ISREG(mode) and stat.S_IMODE(mode) & 0o077:
            raise BadCall(
                f"--password-file: '{name}' has mode {stat.S_IMODE(mode):03o}, readable by others; allowed is 600"
            )
        line = Path(name).read_bytes()[: _LONGEST + 1].decode().removesuffix("\n").removesuffix("\r")
    except OSError as error:
        raise BadCall(f"--password-file: found no readable file '{name}' ({(error.strerror or '').lower()})") from None
    except UnicodeDecodeError:
        line = ""
    if not line or len(line) > _LONGEST or not line.isprintable():
        raise BadCall(f"--password-file: found no single line in '{name}'; allowed is one with the password alone")
    return line, False


def placed(listen: str | None) -> tuple[str, int]:
    """(address, port) of `[HOST][:PORT]`: the loopback and 8080 unless said; port 0 is any. Raises BadCall."""
    text = listen or ""
    host, colon, number = text.rpartition(":") if not text.endswith("]") else (text, "", "")
    if not colon or (":" in host and not host.startswith("[")):
        host, number = text, str(PORT)
    if not (number.isascii() and number.isdigit() and len(number) < 6 and int(number) < 65536):
        raise BadCall(f"--listen: found '{listen}', allowed is HOST, HOST:PORT or :PORT with a port of 0 to 65535")
    try:
        found = socket.getaddrinfo(host.strip("[]") or "127.0.0.1", int(number), type=socket.SOCK_STREAM)
    except (OSError, UnicodeError):
        raise BadCall(f"--listen: found '{listen}', allowed is an address of this computer") from None
    return str(found[0][4][0]), int(number)


def closed_by(certificate: str | None, key: str | None) -> ssl.SSLContext | None:
    """TLS 1.2 or newer by a certificate and its key (PEM); None where there is none. Raises BadCall."""
    if certificate is None and key is None:
        return None
    if certificate is None or key is None:
        raise BadCall("found one of --certificate and --key; allowed are both, or none")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(certificate, key, password=_no_prompt)
    except (OSError, ValueError) as error:
        why = str(getattr(error, "reason", None) or getattr(error, "strerror", None) or error).lower().replace("_", " ")
        raise BadCall(
            f"found no certificate with its key in '{certificate}' and '{key}' ({why}); allowed is PEM"
        ) from None
    return context


def _no_prompt() -> str:
    raise ValueError("the key has a password of its own, which nobody could type")
