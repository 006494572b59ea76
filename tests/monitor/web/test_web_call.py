"""How `inchwatch web` is called: where it listens, its password, what it refuses, and what it says of itself."""

from __future__ import annotations

import asyncio
import os
import re
import ssl
import subprocess
import sys
from pathlib import Path

import pytest
import trustme

from monitor.web.command import BadCall, Call, closed_by, password, placed

from .visits import WORD, browser

pytestmark = pytest.mark.wires


@pytest.mark.parametrize(
    ("listen", "at"),
    [
        (None, ("127.0.0.1", 8080)),
        (":9000", ("127.0.0.1", 9000)),
        ("0.0.0.0", ("0.0.0.0", 8080)),
        ("127.0.0.2:0", ("127.0.0.2", 0)),
        ("[::1]:81", ("::1", 81)),
        ("::1", ("::1", 8080)),
    ],
)
def test_it_listens_on_the_loopback_unless_told_otherwise(listen, at):
    assert placed(listen) == at


@pytest.mark.parametrize("listen", ["127.0.0.1:x", ":70000", "no.such.host.invalid", ":-1", ":"])
def test_what_is_no_place_to_listen_is_refused(listen):
    with pytest.raises(BadCall, match=r"--listen: found '.*allowed is"):
        placed(listen)


def test_a_password_comes_from_a_file_that_its_owner_alone_reads_or_a_variable(tmp_path, monkeypatch):
    file = tmp_path / "word"
    file.write_text(WORD + "\n")
    file.chmod(0o644)
    with pytest.raises(BadCall, match="has mode 644, readable by others; allowed is 600"):
        password(Call(password_file=str(file)))
    file.chmod(0o600)
    assert password(Call(password_file=str(file))) == (WORD, False)
    for text in ("", "\n", "two\nlines\n", "x" * 2000):
        file.write_text(text)
        with pytest.raises(BadCall, match="found no single line"):
            password(Call(password_file=str(file)))
    with pytest.raises(BadCall, match="found no readable file"):
        password(Call(password_file=str(tmp_path / "none")))
    monkeypatch.setenv("A_WORD", WORD)
    assert password(Call(password_env="A_WORD")) == (WORD, False)
    with pytest.raises(BadCall, match="allowed is one of them"):
        password(Call(password_env="A_WORD", password_file=str(file)))
    with pytest.raises(BadCall, match="the variable NOT_SET is not set"):
        password(Call(password_env="NOT_SET"))
    made = {password(Call())[0] for _ in range(3)}
    assert len(made) == 3
    assert all(len(it) == 19 for it in made)


@pytest.mark.parametrize(
    "args", [[], ["run", "yard.toml"], ["web", "demo"], ["--most", "0", "demo"], ["--key", "k.pem", "demo"]]
)
def test_a_wrong_call_is_refused_in_a_sentence(typed, args):
    ended = typed("web", *args)
    assert ended.code == 2
    assert re.fullmatch(r"inchwatch web: .*allowed (is|are) .*\n", ended.err)


@pytest.mark.parametrize("args", [["demo", "--listen", "127.0.0.1:0"], ["demo", "--drills"], ["replay"]])
def test_arguments_that_its_screen_does_not_take_are_refused_before_anybody_visits(typed, args):
    ended = typed("web", *args)
    assert ended.code == 2
    assert re.search(r"error: (unrecognized arguments: --|the following arguments are required: FILE)", ended.err)


def test_it_says_where_it_is_and_what_is_not_safe_about_it(tmp_path):
    authority = trustme.CA()
    pem = tmp_path / "host.pem"
    authority.issue_cert("127.0.0.1").private_key_and_cert_chain_pem.write_to_path(str(pem))
    context = ssl.create_default_context()
    authority.configure_trust(context)

    async def go(*more: str) -> tuple[str, int]:
        command = [sys.executable, "-m", "monitor", "web", "--listen", "0.0.0.0:0", *more, "demo"]
        environment = os.environ | {"A_WORD": WORD}
        server = await asyncio.create_subprocess_exec(
            *command, stderr=subprocess.PIPE, env=environment, cwd=Path(__file__).parents[3]
        )
        said = (await server.stderr.readline()).decode()
        scheme, port = re.search(r"at (https?)://.*:(\d+) ", said).groups()
        async with browser() as crew, crew.get(f"{scheme}://127.0.0.1:{port}", ssl=context) as answer:
            status = answer.status
            assert ("Secure" in answer.headers["Set-Cookie"]) is (scheme == "https")
        server.terminate()
        return said + (await server.communicate())[1].decode(), status

    said, status = asyncio.run(go("--password-env", "A_WORD"))
    assert status == 200
    assert "\nCAUTION: no TLS: whoever is on this network can read the password" in said
    assert WORD not in said
    said, status = asyncio.run(go("--password-env", "A_WORD", "--certificate", str(pem), "--key", str(pem)))
    assert status == 200
    assert "CAUTION" not in said
    with pytest.raises(BadCall, match="found no certificate with its key"):
        closed_by(str(pem), str(tmp_path / "none.pem"))
