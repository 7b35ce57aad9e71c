"""A headless Chromium, where this machine has one, driven through its own debugging socket."""

from __future__ import annotations

import asyncio
import base64
import contextlib
import json
import os
import re
import shutil
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import aiohttp

BROWSER = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)

# keeps what the page's own socket brought, as text
LISTEN = """
window.brought = '';
const Plain = window.WebSocket;
window.WebSocket = function (...given) {
  const socket = new Plain(...given);
  socket.addEventListener('message', async (event) => {
    const data = event.data instanceof Blob ? await event.data.arrayBuffer() : event.data;
    window.brought += typeof data === 'string' ? data : new TextDecoder().decode(data);
  });
  return socket;
};
window.WebSocket.prototype = Plain.prototype;
Object.assign(window.WebSocket, {CONNECTING: 0, OPEN: 1, CLOSING: 2, CLOSED: 3});
"""


class Page:
    """One tab."""

    def __init__(self, socket: aiohttp.ClientWebSocketResponse) -> None:
        self._socket, self._count = socket, 0
        self.asked_for: list[str] = []  # every address
        self.blocked: list[str] = []  # why a request was not let out

    async def call(self, method: str, **given: Any) -> dict[str, Any]:
        """One command of the protocol, and its answer; what else comes is kept."""
        self._count += 1
        await self._socket.send_json({"id": self._count, "method": method, "params": given})
        while True:
            said = json.loads((await self._socket.receive(timeout=30)).data)
            if said.get("method") == "Network.requestWillBeSent":
                self.asked_for.append(said["params"]["request"]["url"])
            elif said.get("method") == "Network.loadingFailed":
                self.blocked.append(str(said["params"].get("blockedReason")))
            if said.get("id") == self._count:
                return dict(said.get("result", said))

    async def opens(self, address: str, width: int, height: int) -> None:
        """Go there, with an ear on the page's sockets."""
        await self.call("Network.enable")
        await self.call("Page.enable")
        size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
        await self.call("Emulation.setDeviceMetricsOverride", **size)
        await self.call("Page.addScriptToEvaluateOnNewDocument", source=LISTEN)
        await self.call("Page.navigate", url=address)

    async def brought(self) -> str:
        """All that came so far, without the terminal's own orders."""
        answer = await self.call("Runtime.evaluate", expression="window.brought", returnByValue=True)
        return re.sub(r"\x1b\[[0-9;?<>=]*[A-Za-z]", "", str(answer["result"].get("value", "")))

    async def until(self, words: str, within_s: float = 60.0) -> str:
        """Wait until these words came."""
        async with asyncio.timeout(within_s):
            while words not in (text := await self.brought()):
                await asyncio.sleep(0.2)
        return text

    async def click(self, x: float, y: float) -> None:
        """A tap."""
        for kind in ("mousePressed", "mouseReleased"):
            await self.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)

    async def types(self, key: str) -> None:
        """One character."""
        for kind in ("keyDown", "keyUp"):
            await self.call("Input.dispatchKeyEvent", type=kind, key=key, text=key if kind == "keyDown" else "")

    async def picture(self) -> bytes:
        """What is seen, as PNG."""
        return base64.b64decode((await self.call("Page.captureScreenshot"))["data"])


@contextlib.asynccontextmanager
async def a_page(profile: Path) -> AsyncIterator[Page]:
    """A browser with one empty tab; it is gone at the end."""
    assert BROWSER is not None
    process = await asyncio.create_subprocess_exec(
        BROWSER, "--headless=new", "--no-sandbox", "--disable-gpu", "--remote-debugging-port=0",
        f"--user-data-dir={profile}", "about:blank",
        stderr=asyncio.subprocess.PIPE, env={**os.environ, "HOME": str(profile)},
    )  # fmt: skip
    try:
        assert process.stderr is not None
        async with asyncio.timeout(60):
            while True:
                line = (await process.stderr.readline()).decode()
                assert line, "the browser ended"
                if found := re.search(r"ws://127\.0\.0\.1:(\d+)/", line):
                    break
        drain = asyncio.create_task(process.stderr.read())
        async with aiohttp.ClientSession() as session:
            async with session.get(f"http://127.0.0.1:{found[1]}/json") as answer:
                tab = next(t for t in await answer.json() if t["type"] == "page")
            async with session.ws_connect(tab["webSocketDebuggerUrl"], max_msg_size=0) as socket:
                yield Page(socket)
        drain.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await drain
    finally:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        await process.wait()
