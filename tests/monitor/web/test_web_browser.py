"""The screens in a real browser: drawn, touched, and what the page says when nothing comes."""

from __future__ import annotations

import asyncio
import os
import re
import signal
import time

import pytest
from paho.mqtt import publish

from monitor.engine.engine import Engine
from monitor.link import wire
from replay.entries import Tick

from ..link.published import picture_message, presence_message, rig_message, rig_of, rig_text
from .chromium import chromium
from .visits import NAME, served

pytestmark = pytest.mark.wires


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
            publish.single(wire.topic(NAME, "presence"), presence_message("here"), 1, True, broker.host, broker.port)
            try:
                await page.until(f"{notice}.includes(\"waiting for '{NAME}' at \")")  # it knows no rig file yet
                publish.single(
                    wire.topic(NAME, "rig"), rig_message(NAME, rig_text(NAME)), 1, True, broker.host, broker.port
                )
                await page.until(f"!{shows('waiting')}")  # its screen is drawn, and hears the broker
                publish.single(
                    wire.topic(NAME, "picture"), picture_message(picture), 1, False, broker.host, broker.port
                )
                await page.hears(b"space STOP")
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
