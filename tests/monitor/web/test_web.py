"""The screens in a browser: nobody without the password at any door, each visitor a process that ends with the visit."""

from __future__ import annotations

import asyncio
import base64
import json
import os
import re
import signal
import ssl
import subprocess
import sys
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.resources import files
from pathlib import Path

import pytest
import trustme

aiohttp = pytest.importorskip(
    "aiohttp", reason="inchwatch[web] is not installed: the screens in a browser are not tested"
)
pytest.importorskip("textual_serve", reason="inchwatch[web] is not installed: the screens in a browser are not tested")

from paho.mqtt import publish  # noqa: E402

from monitor.engine.engine import Engine  # noqa: E402
from monitor.link import wire  # noqa: E402
from monitor.web.command import BadCall, Call, closed_by, password, placed  # noqa: E402
from monitor.web.server import Doors  # noqa: E402
from replay.entries import Tick  # noqa: E402

from ..link.published import picture_message, presence_message, rig_message, rig_of, rig_text  # noqa: E402
from .chromium import chromium  # noqa: E402

pytestmark = pytest.mark.wires
NAME = "training-yard"
WORD = "a word: of theirs"
DOORS = ["/", "/page.js", "/page.css", "/ws", "/static/js/textual.js", "/static/", "/nothing"]


@asynccontextmanager
async def served(*args: str, most: int = 4, **more) -> AsyncIterator[tuple[str, Doors]]:
    """The doors on a free port of the loopback; every visitor has left when it ends."""
    doors = Doors(args or ("demo", "--no-bell"), WORD, most=most, live=True, **more)
    runner = aiohttp.web.AppRunner(doors.application(), access_log=None, shutdown_timeout=5.0)
    await runner.setup()
    await aiohttp.web.TCPSite(runner, "127.0.0.1", 0).start()
    try:
        yield f"http://127.0.0.1:{runner.addresses[0][1]}", doors
    finally:
        await runner.cleanup()
        assert not doors.visitors


def browser(word: str | None = WORD) -> aiohttp.ClientSession:
    """A client that sends the password (RFC 7617), or none; cookies it forgets."""
    sent = {} if word is None else {"Authorization": f"Basic {base64.b64encode(f'crew:{word}'.encode()).decode()}"}
    return aiohttp.ClientSession(headers=sent, cookie_jar=aiohttp.DummyCookieJar())


async def until(true, seconds: float = 60.0) -> None:
    async with asyncio.timeout(seconds):
        while not true():
            await asyncio.sleep(0.05)


async def drawn(socket, words: bytes, seconds: float = 60.0) -> bytes:
    """What a terminal is sent, until these words are in it."""
    came = b""
    async with asyncio.timeout(seconds):
        while words not in came:
            message = await socket.receive()
            assert message.type in (aiohttp.WSMsgType.BINARY, aiohttp.WSMsgType.TEXT), (message, came)
            came += message.data if isinstance(message.data, bytes) else b""
    return came


def is_there(pid: int) -> bool:
    try:
        return "\nState:\tZ" not in Path(f"/proc/{pid}/status").read_text()
    except (FileNotFoundError, ProcessLookupError):
        return False


def test_no_door_opens_without_the_password():
    async def go() -> None:
        async with served() as (url, doors), browser(None) as stranger, browser("guessed") as guesser:
            for door in DOORS:
                async with stranger.get(url + door) as answer:
                    assert answer.status == 401, door
                    assert answer.headers["WWW-Authenticate"].startswith("Basic")
                    assert "Set-Cookie" not in answer.headers
            for session in (stranger, guesser):
                with pytest.raises(aiohttp.WSServerHandshakeError, match="401"):
                    await session.ws_connect(url + "/ws")
            for cookie in ("inchwatch=", "inchwatch=guessed"):
                async with stranger.get(url, headers={"Cookie": cookie}) as answer:
                    assert answer.status == 401
            for odd in ("Basic", "Basic !!", "Basic " + "A" * 4000, "Bearer x", "Basic Og=="):
                async with stranger.get(url, headers={"Authorization": odd}) as answer:
                    assert answer.status == 401, odd
            assert doors.visitors == []

    asyncio.run(go())


def test_with_it_every_door_does_and_a_cookie_opens_them_too():
    async def go() -> None:
        async with served() as (url, _), browser() as crew, browser(None) as other:
            async with crew.get(url) as answer:
                assert answer.status == 200
                cookie = answer.headers["Set-Cookie"]
                assert "HttpOnly" in cookie
                assert "SameSite=Strict" in cookie
                assert answer.headers["X-Frame-Options"] == "DENY"
                assert 'data-live="yes"' in await answer.text()
            for door in ("/page.js", "/page.css", "/static/js/textual.js", "/static/css/xterm.css"):
                async with other.get(url + door, headers={"Cookie": cookie.partition(";")[0]}) as answer:
                    assert answer.status == 200, door
            async with crew.get(url + "/nothing") as answer:
                assert answer.status == 404
            async with crew.get(url + "/static/../../server.py") as answer:
                assert answer.status == 404

    asyncio.run(go())


def test_a_page_from_elsewhere_may_not_even_with_the_password():
    async def go() -> None:
        async with served() as (url, doors), browser() as crew:
            for origin in ("http://elsewhere.example", "null", url.replace("http", "https") + "1"):
                with pytest.raises(aiohttp.WSServerHandshakeError, match="403"):
                    await crew.ws_connect(url + "/ws", headers={"Origin": origin})
            assert doors.visitors == []

    asyncio.run(go())


def test_wrong_passwords_cost_time_and_pile_up_to_no_more_than_twenty(monkeypatch):
    monkeypatch.setattr("monitor.web.server._GUESS_S", 0.2)

    async def go() -> None:
        async with served() as (url, _), browser("guessed") as guesser, browser() as crew:

            async def guess() -> int:
                async with guesser.get(url) as answer:
                    return answer.status

            guesses = [asyncio.create_task(guess()) for _ in range(30)]
            await until(lambda: sum(it.done() for it in guesses) >= 10)
            async with crew.get(url) as answer:  # who knows it waits for none of them
                assert answer.status == 200
            assert not all(it.done() for it in guesses)
            said = await asyncio.gather(*guesses)
            assert sorted(set(said)) == [401, 429]
            assert said.count(401) == 20

    asyncio.run(go())


def test_a_visitor_sees_and_hears_a_screen_of_their_own_and_it_ends_when_they_leave():
    async def go() -> None:
        async with served("demo") as (url, doors), browser() as crew:
            async with crew.ws_connect(url + "/ws?width=100&height=30", headers={"Origin": url}) as socket:
                await drawn(socket, b"STEP")
                await socket.send_str(json.dumps(["stdin", "?"]))
                await drawn(socket, b"KEYS")
                await socket.send_str(json.dumps(["resize", {"width": 120, "height": 40}]))
                await socket.send_str(json.dumps(["stdin", " "]))
                async with asyncio.timeout(60.0):  # STOP is a danger that nobody has seen yet
                    while (await socket.receive()).data != '["bell"]':
                        pass
                pids = [it.pid for it in doors.visitors]
                assert len(pids) == 1
                assert is_there(pids[0])
            await until(lambda: not doors.visitors)
            assert not is_there(pids[0])

    asyncio.run(go())


def test_a_recording_is_gone_through_in_a_browser_too():
    recording = str(Path(__file__).parents[3] / "recordings" / "stuck-shore.jsonl")

    async def go() -> None:
        async with served("replay", recording) as (url, _), browser() as crew, crew.ws_connect(url + "/ws") as socket:
            await drawn(socket, b"RECORDED")
            await socket.send_str(json.dumps(["stdin", "?"]))
            await drawn(socket, b"KEYS OF A RECORDING")

    asyncio.run(go())


def test_what_a_page_should_never_send_does_nothing():
    async def go() -> None:
        async with (
            served() as (url, doors),
            browser() as crew,
            crew.ws_connect(url + "/ws?width=x&height=-1") as socket,
        ):
            odd = [
                "",
                "{}",
                "[]",
                "[1]",
                '["stdin"]',
                '["stdin", 5]',
                '["resize", {"width": 1e9}]',
                '["resize", 3]',
                "[[[[",
            ]
            for message in [*odd, '["resize", {"width": "x", "height": 1}]', '["quit"]', '["deliver_chunk_request"]']:
                await socket.send_str(message)
            await drawn(socket, b"STEP")
            assert len(doors.visitors) == 1

    asyncio.run(go())


def test_so_many_visitors_and_no_more():
    async def go() -> None:
        async with served(most=1) as (url, doors), browser() as crew, crew.ws_connect(url + "/ws") as first:
            await drawn(first, b"STEP")
            async with crew.get(url) as answer:
                assert answer.status == 503
                assert await answer.text() == "1 screens are open, and no more are allowed: close one"
            async with crew.ws_connect(url + "/ws") as second:
                message = await second.receive()
                assert message.type is aiohttp.WSMsgType.CLOSE
                assert second.close_code == 1013
            assert len(doors.visitors) == 1

    asyncio.run(go())


def test_a_screen_that_cannot_be_shown_says_why():
    async def go() -> None:
        async with (
            served("demo", "--drill", "no-such-drill") as (url, _),
            browser() as crew,
            crew.ws_connect(url + "/ws") as socket,
            asyncio.timeout(60.0),
        ):
            told = []
            while (message := await socket.receive()).type is aiohttp.WSMsgType.TEXT:
                told.append(json.loads(message.data))
            assert [it for it in told if it[0] == "beat"] == [["beat", None]] * sum(it[0] == "beat" for it in told)
            assert [it[1] for it in told if it[0] == "said"][-1].startswith("inchwatch demo: ")
            assert message.type is aiohttp.WSMsgType.CLOSE
            assert message.extra.startswith("inchwatch demo: ")
            assert "no-such-drill" in message.extra

    asyncio.run(go())


SERVES = """
from paho.mqtt import publish  # noqa: E402

from monitor.engine.engine import Engine  # noqa: E402
from monitor.link import wire  # noqa: E402
from monitor.web.command import Call, web
web(Call(["demo"], listen=":0", password_env="A_WORD"), lambda at: print(at, flush=True))
"""


@pytest.mark.parametrize("end", [signal.SIGKILL, signal.SIGTERM])
def test_screens_end_with_the_server_however_that_ends(end):
    """The password is not handed on to them either."""

    async def go() -> None:
        environment = os.environ | {"A_WORD": WORD}
        server = await asyncio.create_subprocess_exec(
            sys.executable, "-c", SERVES, stdout=subprocess.PIPE, env=environment, cwd=Path(__file__).parents[3]
        )
        try:
            url = (await server.stdout.readline()).decode().strip()
            async with browser() as crew, crew.ws_connect(url + "/ws") as socket:
                await drawn(socket, b"STEP")
                children = Path(f"/proc/{server.pid}/task/{server.pid}/children").read_text().split()
                assert len(children) == 1
                assert WORD.encode() not in Path(f"/proc/{children[0]}/environ").read_bytes()
                server.send_signal(end)
                await asyncio.wait_for(server.wait(), 20.0)
                await until(lambda: not is_there(int(children[0])), 20.0)
        finally:
            if server.returncode is None:
                server.kill()
            await server.communicate()

    asyncio.run(go())


def test_the_page_needs_nothing_from_elsewhere():
    for name in ("page.html", "page.css", "page.js"):
        text = files("monitor.web").joinpath(name).read_text()
        assert not re.search(r"https?://|//[a-z]+\.", text), name


def test_in_a_real_browser_it_is_drawn_takes_keys_and_touches_and_says_when_nothing_comes(tmp_path, monkeypatch):
    """Chromium without a window."""

    async def go() -> None:
        async with served("demo") as (url, doors), chromium(tmp_path, 1024, 700) as page:
            await page.call("Page.navigate", url=url.replace("http://", "http://crew:a%20word%3A%20of%20theirs@"))
            await page.until("document.body.classList.contains('-first-byte')")
            assert await page.ask("document.fonts.check('16px \"Roboto Mono\"')")
            assert not await page.ask("document.body.classList.contains('gone')")
            await page.hears(b"STEP")
            await page.touch("mute")
            assert await page.ask("document.getElementById('mute') === null")
            await page.press("?")
            await page.hears(b"KEYS")
            await page.touch("stop")
            await page.hears(b"stop-called")
            await page.touch("terminal")  # now the terminal itself has the keyboard
            page.heard = b""
            await page.press("?")  # the help goes
            await page.hears(b"space STOP")
            host = url.removeprefix("http://")
            asked = [
                re.sub(r"^\w+://(crew:[^@]*@)?", "", it) for it in page.asked if not it.startswith(("data:", "blob:"))
            ]
            assert asked
            assert all(it.startswith(host + "/") for it in asked), asked
            pid = doors.visitors[0].pid
            monkeypatch.setattr("monitor.web.server.BEAT_S", 3600.0)  # a network that stands still, as the page sees it
            os.kill(pid, signal.SIGSTOP)
            await page.until("document.body.classList.contains('gone')", 20.0)
            assert "NOT CONNECTED, nothing has come for" in await page.ask("document.getElementById('why').textContent")
            os.kill(pid, signal.SIGCONT)
            await page.until("!document.body.classList.contains('gone')", 20.0)
            os.kill(pid, signal.SIGKILL)
            await page.until("document.getElementById('why').textContent.includes('the screen')", 20.0)
            assert await page.ask("document.body.classList.contains('gone')")

    asyncio.run(go())


@pytest.mark.broker
def test_in_a_real_browser_a_page_says_what_its_screen_waits_for_and_within_two_seconds_that_it_hangs(tmp_path, broker):
    notice = "document.getElementById('notice').textContent"

    def shows(name: str) -> str:
        return f"document.body.classList.contains('{name}')"

    async def go() -> None:
        async with served("follow", broker.url) as (url, doors), chromium(tmp_path, 1024, 700) as page:
            await page.call("Page.navigate", url=url.replace("http://", "http://crew:a%20word%3A%20of%20theirs@"))
            await page.until(f"{notice}.includes('no rig at this broker yet, waiting for one')")
            assert await page.ask(shows("waiting"))
            picture = Engine(rig_of(NAME)).feed(Tick(0))
            for leaf, payload in (
                ("presence", presence_message("here")),
                ("rig", rig_message(NAME, rig_text(NAME))),
            ):
                publish.single(wire.topic(NAME, leaf), payload, 1, True, broker.host, broker.port)
            try:
                await page.until(f"{notice}.includes(\"waiting for '{NAME}' at \")")
                publish.single(
                    wire.topic(NAME, "picture"), picture_message(picture), 1, False, broker.host, broker.port
                )
                await page.hears(b"space STOP")
                await page.until(f"!{shows('waiting')}")
            finally:
                for leaf in ("presence", "rig"):
                    publish.single(wire.topic(NAME, leaf), b"", 1, True, broker.host, broker.port)
            assert not await page.ask(shows("old"))
            pid = doors.visitors[0].pid
            os.kill(pid, signal.SIGSTOP)
            began = time.monotonic()
            await page.until(shows("old"), 20.0)
            assert time.monotonic() - began < 2.0
            assert (await page.ask(notice)).startswith("OLD PICTURE: this screen has drawn nothing for ")
            assert not await page.ask(shows("gone"))  # the server is there
            os.kill(pid, signal.SIGCONT)
            await page.until(f"!{shows('old')}", 20.0)

    asyncio.run(go())


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
