"""What keeps a broker's wire closed to others: TLS with an own authority, client certificates, passwords; and a sentence
for each way it can fail. Everything is read anew at every connection, so that a file that was mended counts at once.

Nothing here ever makes a wire less closed than the rig file asks: what cannot be had is NotSecure, and no connection.
"""

from __future__ import annotations

import os
import ssl
import stat
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from drivers.kinds.mqtt import Broker

_EXPIRED, _NOT_YET = 10, 9
_OTHER_NAME = (62, 64)
"""OpenSSL's x509_vfy.h: X509_V_ERR_CERT_HAS_EXPIRED, _CERT_NOT_YET_VALID, _HOSTNAME_MISMATCH and _IP_ADDRESS_MISMATCH."""
_LONGEST = 1024
"""A password is one line of at most so many bytes."""


class NotSecure(ValueError):
    """What a port needs for its wire cannot be had. The message says what was found and what is allowed."""


def password(config: Broker) -> str | None:
    """The password for a broker, from its environment variable or its file; None where it has none. Raises NotSecure.

    A file is one line, and only its owner may read it.
    """
    if config.password_env is not None:
        try:
            return os.environ[config.password_env]
        except KeyError:
            raise NotSecure(f"no password: the environment variable {config.password_env} is not set") from None
    if config.password_file is None:
        return None
    name = config.password_file
    _owner_only(name, "password file")
    try:
        text = Path(name).read_bytes()
        line = text.decode().removesuffix("\n").removesuffix("\r")
    except OSError as error:
        raise NotSecure(f"no password: found no readable file '{name}' ({_said(error)})") from None
    except UnicodeDecodeError:
        raise NotSecure(
            f"no password: found bytes that are no text in '{name}'; allowed is one line of UTF-8"
        ) from None
    if not line or len(text) > _LONGEST or not line.isprintable():
        raise NotSecure(f"no password: found no single line in '{name}'; allowed is one line with the password alone")
    return line


def context(config: Broker, alert: Callable[[ssl.SSLError], None] = lambda _: None) -> ssl.SSLContext:
    """TLS 1.2 or newer as a broker asks for it: its `ca` alone or the machine's authorities are believed. Raises NotSecure.

    `alert` is given what TLS says after the handshake: a client certificate that is missing is told only then (TLS 1.3).
    """
    try:
        it = ssl.create_default_context(cafile=config.ca)
    except (OSError, ValueError) as error:
        raise NotSecure(f"no TLS: found no certificate in ca '{config.ca}' ({_said(error)}); allowed is PEM") from None
    it.minimum_version = ssl.TLSVersion.TLSv1_2
    if config.certificate is not None:
        _owner_only(config.key or config.certificate, "private key")
        try:
            it.load_cert_chain(config.certificate, config.key, password=_no_prompt)
        except (OSError, ValueError) as error:
            files = " and ".join(f"'{name}'" for name in (config.certificate, config.key) if name is not None)
            raise NotSecure(f"no TLS: found no certificate with its key in {files} ({_said(error)})") from None
    it.sslsocket_class = _listening(alert)
    return it


def broken(error: OSError, config: Broker) -> str:
    """Why no connection was made, in a sentence without its place. What tells it from the others comes first: an alarm line
    has room for little more."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return _refused(error, config)
    if isinstance(error, ssl.SSLError) and "ALERT" in (error.reason or ""):
        return alerted(error, config)
    if config.tls and isinstance(error, ssl.SSLError | ConnectionResetError):
        return f"no TLS found ({_said(error)}); allowed is a TLS listener: nothing is sent in clear text"
    return f"cannot connect: {_said(error)}"


def _refused(error: ssl.SSLCertVerificationError, config: Broker) -> str:
    by = f"signed by {config.ca or 'an authority this machine knows'}"
    if error.verify_code == _EXPIRED:
        return f"expired host certificate found; allowed is one valid today, {by}"
    if error.verify_code == _NOT_YET:
        return f"host certificate not valid yet found; allowed is one valid today, {by}: is the clock right?"
    if error.verify_code in _OTHER_NAME:
        return f"misnamed host certificate found; allowed is one for '{config.host}', {by}"
    return f"foreign host certificate found ({error.verify_message}); allowed is one {by}"


def alerted(error: OSError, config: Broker) -> str:
    """What the broker's TLS said of us, in a sentence without its place."""
    said = _said(error)
    if config.certificate is None:
        return f"no client certificate ({said}); allowed is one the broker knows: certificate and key"
    return f"client certificate refused ({said}): found '{config.certificate}', allowed is one of an authority the broker knows"


def unanswered(config: Broker) -> str:
    """What may be behind a wire that was shut before the broker said anything: TLS does not always come to say so itself."""
    if not config.tls:
        return ""
    if config.certificate is None:
        return " before the broker answered: it may ask for a client certificate, and found none"
    return f" before the broker answered: it may not take the client certificate '{config.certificate}'"


def _owner_only(name: str, what: str) -> None:
    try:
        mode = os.stat(name).st_mode
    except OSError as error:
        raise NotSecure(f"no {what}: found no readable file '{name}' ({_said(error)})") from None
    if not stat.S_ISREG(mode):
        raise NotSecure(f"no {what}: found no plain file at '{name}'")
    if stat.S_IMODE(mode) & 0o077:
        found = f"found {what} '{name}' with mode {stat.S_IMODE(mode):03o}"
        raise NotSecure(f"readable by others: {found}; allowed is 600 or 400")


def _no_prompt() -> str:
    raise ValueError("the key has a password of its own, which nobody could type")


def _listening(alert: Callable[[ssl.SSLError], None]) -> type[ssl.SSLSocket]:
    class Listening(ssl.SSLSocket):
        """Hands on what TLS says, which the broker's client takes for a lost connection; and is shut where nobody else would."""

        def do_handshake(self, block: bool = False) -> None:
            try:
                super().do_handshake(block)
            except OSError:
                self.close()
                raise

        def recv(self, buflen: int = 1024, flags: int = 0) -> bytes:
            try:
                return super().recv(buflen, flags)
            except (ssl.SSLWantReadError, ssl.SSLWantWriteError):
                raise
            except ssl.SSLError as error:
                alert(error)
                raise

        def send(self, data: Any, flags: int = 0) -> int:
            try:
                return super().send(data, flags)
            except ConnectionError:
                with suppress(OSError):
                    self.recv(1)  # what was said before the wire was shut may still be waiting
                raise

    return Listening


def _said(error: BaseException) -> str:
    """What the system or TLS said, in its plain words."""
    if isinstance(error, ssl.SSLError) and error.reason:
        words = (
            error.reason.removeprefix("TLSV1_").removeprefix("TLSV13_").removeprefix("SSLV3_").removeprefix("ALERT_")
        )
        return words.replace("_", " ").lower()
    return " ".join(str(getattr(error, "strerror", None) or error).split()).lower()
