"""One visitor's screen: a process of its own that speaks Textual's web protocol, joined to a WebSocket.

Packets to and from the process are a letter, four bytes of length (most significant first) and so many bytes: D what a terminal
would be sent or a keyboard would send, M an object in JSON (see `textual.drivers.web_driver`; the beat is `driver.py`'s).
"""

from __future__ import annotations

import asyncio
import os
import sys
import time
from asyncio.subprocess import PIPE, Process
from collections.abc import Awaitable, Callable, Sequence
from contextlib import suppress
from typing import Any

import orjson

from monitor.web import driver
from monitor.web.child import WATCH

_PRELUDE = b"__GANGLION__\n"
_DRIVER = "monitor.web.driver:Driver"
_LONGEST = 4_000_000
"""A packet is no longer than this: a whole redraw of the largest terminal is far shorter."""
_SIDES = (10, 500)
_ENDS_S = 2.0
_SAID = 2000
BELL = b"\a"
BEAT = driver.BEAT.encode()


class Visitor:
    """A screen command run for one visitor. `write` is given what a terminal would get, `ring` is called for each bell, `tell`
    is given what the command says in lines before its screen is there, such as what it waits for."""

    def __init__(
        self,
        args: Sequence[str],
        write: Callable[[bytes], Awaitable[None]],
        ring: Callable[[], Awaitable[None]],
        tell: Callable[[str], Awaitable[None]],
    ) -> None:
        self._args, self._write, self._ring, self._tell = args, write, ring, tell
        self._drew: float | None = None
        self._process: Process | None = None
        self._held: int | None = None
        """Our end of the pipe by which the process knows that we are there."""

    @property
    def pid(self) -> int | None:
        """Of the process, once it runs."""
        return None if self._process is None else self._process.pid

    def age_s(self) -> float | None:
        """How long ago the process last said that it draws; None before it has begun to."""
        return None if self._drew is None else time.monotonic() - self._drew

    async def start(self, columns: int, rows: int, without: Sequence[str] = ()) -> None:
        """Start the process, without these variables in its environment: no shell, and what it says besides the screen is kept."""
        environment = {key: value for key, value in os.environ.items() if key not in without}
        environment |= {
            "TEXTUAL_DRIVER": _DRIVER,
            "TEXTUAL_COLOR_SYSTEM": "truecolor",
            "COLUMNS": str(_side(columns)),
            "ROWS": str(_side(rows)),
        }
        theirs, self._held = os.pipe()
        try:
            self._process = await asyncio.create_subprocess_exec(
                *(sys.executable, "-m", "monitor.web.child", *self._args),
                stdin=PIPE,
                stdout=PIPE,
                stderr=PIPE,
                env=environment | {WATCH: str(theirs)},
                pass_fds=(theirs,),
            )
        finally:
            os.close(theirs)

    async def show(self) -> str:
        """Hand on what the screen draws until its process ends; returns what it said last on standard error, for people."""
        assert self._process is not None, "started before it is shown"
        assert self._process.stdout is not None, "its standard output is a pipe"
        assert self._process.stderr is not None, "its standard error is a pipe"
        said = asyncio.create_task(self._listen(self._process.stderr))
        try:
            await self._packets(self._process.stdout)
            return await said
        finally:
            said.cancel()

    async def _packets(self, out: asyncio.StreamReader) -> None:
        with suppress(asyncio.IncompleteReadError, ValueError):
            while await out.readline() not in (_PRELUDE, b""):
                pass
            while True:
                kind = await out.readexactly(1)
                size = int.from_bytes(await out.readexactly(4), "big")
                if size > _LONGEST:
                    return
                payload = await out.readexactly(size)
                if kind == b"D" and payload == BELL:
                    await self._ring()
                elif kind == b"D":
                    await self._write(payload)
                elif kind == b"M" and BEAT in payload:
                    self._drew = time.monotonic()
                elif kind == b"M" and b'"exit"' in payload:
                    return

    async def _listen(self, stream: asyncio.StreamReader) -> str:
        """Tell each line until the screen is there; returns the last of what was said."""
        kept = line = b""
        while part := await stream.read(4096):
            kept = (kept + part)[-_SAID:]
            *whole, line = (line + part)[-_SAID:].split(b"\n")
            for it in whole if self._drew is None else ():
                await self._tell(it.decode(errors="replace"))
        return kept.decode(errors="replace").strip()

    async def take(self, message: str) -> None:
        """What the page sent: keys, a size, whether it has the focus. What is nothing of that is passed over."""
        with suppress(ValueError, TypeError, KeyError, IndexError):
            given: Any = orjson.loads(message)
            if given[0] == "stdin" and isinstance(given[1], str):
                await self._send(b"D", given[1].encode())
            elif given[0] == "resize":
                size = {"width": _side(given[1]["width"]), "height": _side(given[1]["height"])}
                await self._send(b"M", orjson.dumps({"type": "resize", **size}))
            elif given[0] in ("focus", "blur"):
                await self._send(b"M", orjson.dumps({"type": given[0]}))

    async def _send(self, kind: bytes, payload: bytes) -> None:
        assert self._process is not None, "started before it is sent to"
        assert self._process.stdin is not None, "its standard input is a pipe"
        with suppress(ConnectionError):
            self._process.stdin.write(kind + len(payload).to_bytes(4, "big") + payload)
            await self._process.stdin.drain()

    async def end(self) -> None:
        """End the process: asked first, then made to."""
        try:
            await self._end()
        finally:
            if self._held is not None:
                os.close(self._held)
                self._held = None

    async def _end(self) -> None:
        process = self._process
        if process is None or process.returncode is not None:
            return
        with suppress(asyncio.TimeoutError):
            async with asyncio.timeout(_ENDS_S):
                await self._send(b"M", b'{"type":"quit"}')
                assert process.stdin is not None, "its standard input is a pipe"
                process.stdin.close()
                assert process.stdout is not None, "its standard output is a pipe"
                while await process.stdout.read(65536):  # a process that cannot write cannot end
                    pass
                await process.wait()
        if process.returncode is None:
            with suppress(ProcessLookupError):
                process.kill()
            await process.wait()


def _side(cells: object) -> int:
    """A terminal's side that a page may ask for. Raises ValueError, TypeError."""
    return min(max(int(cells), _SIDES[0]), _SIDES[1])  # type: ignore[call-overload, no-any-return]
