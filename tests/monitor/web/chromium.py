"""A real browser without a window, led over its DevTools protocol (an open one): go somewhere, ask the page, press, look."""

from __future__ import annotations

import asyncio
import base64
import json
import shutil
import signal
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiohttp
import pytest


class Page:
    """One page. `asked` holds every address that it asked for, `heard` all that came over its WebSockets in bytes."""

    def __init__(self, socket: aiohttp.ClientWebSocketResponse) -> None:
        self._socket, self._count = socket, 0
        self.asked: list[str] = []
        self.heard = b""

    async def call(self, method: str, **params: Any) -> dict[str, Any]:
        """Call one method and wait for its answer."""
        self._count += 1
        await self._socket.send_json({"id": self._count, "method": method, "params": params})
        while True:
            it = json.loads((await self._socket.receive()).data)
            if it.get("method") == "Network.requestWillBeSent":
                self.asked.append(it["params"]["request"]["url"])
            if it.get("method") == "Network.webSocketCreated":
                self.asked.append(it["params"]["url"])
            frame = it["params"]["response"] if it.get("method") == "Network.webSocketFrameReceived" else {}
            if frame.get("opcode") == 2:
                self.heard += base64.b64decode(frame["payloadData"])
            if it.get("id") == self._count:
                assert "error" not in it, it
                return dict(it["result"])

    async def ask(self, script: str) -> Any:
        """The value of an expression in the page."""
        return (await self.call("Runtime.evaluate", expression=script, returnByValue=True))["result"].get("value")

    async def until(self, script: str, seconds: float = 60.0) -> None:
        """Wait until an expression is true in the page."""
        async with asyncio.timeout(seconds):
            while not await self.ask(script):
                await asyncio.sleep(0.1)

    async def hears(self, words: bytes, seconds: float = 60.0) -> None:
        """Wait until these words came."""
        async with asyncio.timeout(seconds):
            while words not in self.heard:
                await self.ask("0")
                await asyncio.sleep(0.1)

    async def press(self, key: str) -> None:
        """Press one key."""
        for kind in ("keyDown", "keyUp"):
            text = {"text": key} if kind == "keyDown" else {}
            await self.call("Input.dispatchKeyEvent", type=kind, key=key, **text)

    async def touch(self, element: str) -> None:
        """Touch the middle of an element, as a finger does."""
        box = f"(() => {{ const it = document.getElementById('{element}').getBoundingClientRect(); return "
        x, y = await self.ask(box + "[it.x + it.width / 2, it.y + it.height / 2] })()")
        await self.call("Input.dispatchTouchEvent", type="touchStart", touchPoints=[{"x": x, "y": y}])
        await self.call("Input.dispatchTouchEvent", type="touchEnd", touchPoints=[])

    async def picture(self) -> bytes:
        """What is seen, as PNG."""
        return base64.b64decode((await self.call("Page.captureScreenshot", format="png"))["data"])


@asynccontextmanager
async def chromium(folder: Path, width: int, height: int) -> AsyncIterator[Page]:
    """A browser of its own, nothing of it kept; skips where none is installed."""
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        pytest.skip("no chromium on this machine: the page is not tried in a browser")
    flags = (
        "--headless",
        "--no-sandbox",
        "--hide-scrollbars",
        "--enable-unsafe-swiftshader",
        "--remote-debugging-port=0",
    )
    process = await asyncio.create_subprocess_exec(
        program,
        *flags,
        f"--user-data-dir={folder}",
        "about:blank",
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.DEVNULL,
        start_new_session=True,
    )
    try:
        told = folder / "DevToolsActivePort"
        async with asyncio.timeout(60.0):
            while not told.exists() or not told.read_text().strip():
                await asyncio.sleep(0.1)
        port = told.read_text().split()[0]
        async with aiohttp.ClientSession() as session:
            async with session.get(f"http://127.0.0.1:{port}/json") as answer:
                url = next(it["webSocketDebuggerUrl"] for it in await answer.json() if it["type"] == "page")
            async with session.ws_connect(url, max_msg_size=0) as socket:
                page = Page(socket)
                for domain in ("Page", "Runtime", "Network"):
                    await page.call(f"{domain}.enable")
                size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
                await page.call("Emulation.setDeviceMetricsOverride", **size)
                yield page
    finally:
        process.send_signal(signal.SIGTERM)
        try:
            await asyncio.wait_for(process.wait(), 10.0)
        except TimeoutError:
            process.kill()
            await process.wait()
