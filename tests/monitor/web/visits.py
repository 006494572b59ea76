"""A server of screens for browsers on the loopback, and what a test does with a visitor of its own."""

from __future__ import annotations

import asyncio
import base64
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest

aiohttp = pytest.importorskip(
    "aiohttp", reason="inchwatch[web] is not installed: the screens in a browser are not tested"
)
pytest.importorskip("textual_serve", reason="inchwatch[web] is not installed: the screens in a browser are not tested")

from monitor.web.server import Doors  # noqa: E402

NAME = "training-yard"
WORD = "a word: of theirs"


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
