"""The screens in a browser: nobody without the password at any door, each visitor a process that ends with the visit."""

from __future__ import annotations

import asyncio
import json
import os
import re
import signal
import subprocess
import sys
from importlib.resources import files
from pathlib import Path

import pytest

aiohttp = pytest.importorskip(
    "aiohttp", reason="inchwatch[web] is not installed: the screens in a browser are not tested"
)
pytest.importorskip("textual_serve", reason="inchwatch[web] is not installed: the screens in a browser are not tested")

from ...processes import is_there  # noqa: E402
from .visits import WORD, browser, drawn, served, until  # noqa: E402

pytestmark = pytest.mark.wires
DOORS = ["/", "/page.js", "/page.css", "/ws", "/static/js/textual.js", "/static/", "/nothing"]


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
