"""The web server before the screens: a password at every door, nothing from elsewhere, so many visitors and no more.

Everything a page needs comes from here (a yard has no internet). A browser that gave the password gets a cookie of this run,
since not every browser sends a password along when it opens a WebSocket; a page of another origin gets nothing.
"""

from __future__ import annotations

import asyncio
import base64
import binascii
import hmac
import secrets
from collections.abc import Awaitable, Callable, Sequence
from contextlib import suppress
from importlib.resources import as_file, files
from pathlib import Path
from urllib.parse import urlsplit

import orjson
from aiohttp import WSCloseCode, WSMsgType, web

from monitor.web.visitor import Visitor

BEAT_S = 0.5
"""So often a page is told that the server is there, and how long ago the screen last drew. A page to which nothing comes for two
seconds says that it sees nothing of now, and one whose screen has not drawn for 1.2 s that its picture is old."""
_GUESS_S = 1.0
_GUESSES = 20
"""A wrong password costs a second, one after the other; beyond so many that wait, more are refused at once."""
_HEARTBEAT_S = 5.0
_MESSAGE = 65536
_HEADERS = {
    "Content-Security-Policy": "default-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; "
    "connect-src 'self' {socket}; frame-ancestors 'none'; base-uri 'none'; form-action 'none'",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
}
_PAGE = {
    "": ("page.html", "text/html"),
    "page.css": ("page.css", "text/css"),
    "page.js": ("page.js", "text/javascript"),
}

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


class Doors:
    """The application: `args` is the screen's command for each visitor, `most` how many visitors there may be at once."""

    def __init__(
        self,
        args: Sequence[str],
        password: str,
        *,
        most: int,
        live: bool,
        hidden: Sequence[str] = (),
        tls: bool = False,
    ) -> None:
        self._args, self._password, self._most = args, password.encode(), most
        self._live, self._hidden, self._tls = live, hidden, tls
        self._token = secrets.token_urlsafe(32)
        self._cookie = f"inchwatch-{secrets.token_hex(4)}"  # cookies know no ports: another server here has another
        self._guessing, self._waiting = asyncio.Lock(), 0
        self._visitors: dict[Visitor, web.WebSocketResponse] = {}

    @property
    def visitors(self) -> list[Visitor]:
        """Who is there."""
        return list(self._visitors)

    def application(self) -> web.Application:
        """What aiohttp serves."""
        app = web.Application(middlewares=[self._door], client_max_size=_MESSAGE)
        app.router.add_get("/{name:|page[.]css|page[.]js}", self._page)
        app.router.add_get("/ws", self._socket)
        app.router.add_static("/static", _static())
        app.on_shutdown.append(self._leave)
        return app

    @web.middleware
    async def _door(self, request: web.Request, handler: Handler) -> web.StreamResponse:
        refused = await self._refused(request)
        if refused is not None:
            return _with_headers(request, refused)
        try:
            answer = await handler(request)
        except web.HTTPException as error:
            answer = web.Response(status=error.status, text=error.reason)
        if not answer.prepared:
            answer = _with_headers(request, answer)
            answer.set_cookie(self._cookie, self._token, httponly=True, samesite="Strict", secure=self._tls, path="/")
        return answer

    async def _refused(self, request: web.Request) -> web.Response | None:
        """Why somebody may not come in, None if they may."""
        origin = request.headers.get("Origin")
        if origin is not None and urlsplit(origin).netloc != request.host:
            return web.Response(status=403, text="a page of another origin may not")
        if hmac.compare_digest(request.cookies.get(self._cookie, "").encode(), self._token.encode()):
            return None
        given = _given(request.headers.get("Authorization", ""))
        if given is not None:
            if hmac.compare_digest(given, self._password):
                return None
            if self._waiting >= _GUESSES:
                return web.Response(status=429, text="too many wrong passwords at once")
            self._waiting += 1
            try:
                async with self._guessing:
                    await asyncio.sleep(_GUESS_S)
            finally:
                self._waiting -= 1
        ask = {"WWW-Authenticate": 'Basic realm="inchwatch", charset="UTF-8"'}
        return web.Response(status=401, headers=ask, text="the password of this monitor's screens is asked for")

    async def _page(self, request: web.Request) -> web.Response:
        name, kind = _PAGE[request.match_info["name"]]
        text = files("monitor.web").joinpath(name).read_text(encoding="utf-8")
        if name == "page.html":
            if len(self._visitors) >= self._most:
                return web.Response(status=503, text=self._full())
            text = text.replace("<body>", f'<body data-live="{"yes" if self._live else "no"}">')
        return web.Response(text=text, content_type=kind, charset="utf-8")

    def _full(self) -> str:
        return f"{self._most} screens are open, and no more are allowed: close one"

    async def _socket(self, request: web.Request) -> web.StreamResponse:
        socket = web.WebSocketResponse(heartbeat=_HEARTBEAT_S, max_msg_size=_MESSAGE)
        await socket.prepare(request)
        if len(self._visitors) >= self._most:
            await socket.close(code=WSCloseCode.TRY_AGAIN_LATER, message=self._full().encode())
            return socket
        visitor = Visitor(
            self._args, socket.send_bytes, lambda: _say(socket, "bell"), lambda line: _say(socket, "said", line)
        )
        self._visitors[visitor] = socket
        tasks = []
        try:
            await visitor.start(_number(request, "width", 80), _number(request, "height", 24), self._hidden)
            tasks = [asyncio.create_task(it) for it in (_shown(visitor, socket), _beat(visitor, socket))]
            async for message in socket:
                if message.type is WSMsgType.TEXT:
                    await visitor.take(message.data)
        finally:
            for task in tasks:
                task.cancel()
            try:
                await asyncio.gather(*tasks, return_exceptions=True)
                await visitor.end()
            finally:
                del self._visitors[visitor]
        return socket

    async def _leave(self, _app: web.Application) -> None:
        """The server ends: so do all screens."""
        for socket in list(self._visitors.values()):
            await socket.close(code=WSCloseCode.GOING_AWAY, message=b"the server has ended")


async def _shown(visitor: Visitor, socket: web.WebSocketResponse) -> None:
    """Show a visitor's screen until it ends by itself, and then why."""
    with suppress(ConnectionError):
        said = await visitor.show()
        reason = said.splitlines()[-1] if said else "the screen was quit"
        await socket.close(code=WSCloseCode.OK, message=reason.encode()[:120])


async def _beat(visitor: Visitor, socket: web.WebSocketResponse) -> None:
    with suppress(ConnectionError):
        while True:
            await _say(socket, "beat", visitor.age_s())
            await asyncio.sleep(BEAT_S)


async def _say(socket: web.WebSocketResponse, *what: object) -> None:
    """Tell the page something that is nothing for the terminal in it."""
    await socket.send_str(orjson.dumps(what).decode())


def _given(header: str) -> bytes | None:
    """The password of an Authorization header (RFC 7617), whatever the name before it; None where there is none."""
    scheme, _, credentials = header.partition(" ")
    if scheme.lower() != "basic":
        return None
    try:
        return base64.b64decode(credentials.strip(), validate=True).partition(b":")[2]
    except (binascii.Error, ValueError):
        return b""


def _number(request: web.Request, key: str, otherwise: int) -> int:
    text = request.query.get(key, "")
    return int(text) if text.isascii() and text.isdigit() and len(text) < 6 else otherwise


def _with_headers(request: web.Request, answer: web.StreamResponse) -> web.StreamResponse:
    socket = f"{'wss' if request.secure else 'ws'}://{request.host}"
    for key, value in _HEADERS.items():
        answer.headers[key] = value.replace("{socket}", socket)
    return answer


def _static() -> Path:
    """The terminal for a browser, with its font, as textual-serve brings it along."""
    with as_file(files("textual_serve")) as folder:
        return Path(folder) / "static"
