"""A headless Chromium over its devtools protocol: open a page, evaluate, wait for a condition, take a picture."""

from __future__ import annotations

import asyncio
import base64
import json
import shutil
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiohttp

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--hide-scrollbars",
    "--disable-background-networking", "--disable-component-update", "--disable-sync", "--disable-dev-shm-usage",
    "--remote-debugging-port=0",
)  # fmt: skip
WAIT_S = 30.0


class Browser:
    """One page. ``problems`` are uncaught exceptions, console errors and what the security policy refused."""

    def __init__(self, socket: aiohttp.ClientWebSocketResponse) -> None:
        self._socket = socket
        self._number = 0
        self._answers: dict[int, asyncio.Future[dict[str, Any]]] = {}
        self._loaded = asyncio.Event()
        self.problems: list[str] = []
        self.requested: list[str] = []

    async def read(self) -> None:
        """Take what the browser says until it leaves."""
        async for message in self._socket:
            said = json.loads(message.data)
            if "id" in said:
                self._answers.pop(said["id"]).set_result(said)
            else:
                self._heard(said["method"], said["params"])

    def _heard(self, method: str, params: dict[str, Any]) -> None:
        if method == "Page.loadEventFired":
            self._loaded.set()
        elif method == "Network.requestWillBeSent":
            self.requested.append(params["request"]["url"])
        elif method == "Network.webSocketCreated":
            self.requested.append(params["url"])
        elif method == "Runtime.exceptionThrown":
            self.problems.append(json.dumps(params["exceptionDetails"].get("exception", params)))
        elif method == "Log.entryAdded" and params["entry"]["level"] == "error":
            self.problems.append(params["entry"]["text"])
        elif method == "Runtime.consoleAPICalled" and params["type"] in ("error", "warning"):
            self.problems.append(json.dumps(params["args"]))

    async def call(self, method: str, **params: Any) -> dict[str, Any]:
        """One devtools command and its result."""
        self._number += 1
        answer: asyncio.Future[dict[str, Any]] = asyncio.get_running_loop().create_future()
        self._answers[self._number] = answer
        await self._socket.send_json({"id": self._number, "method": method, "params": params})
        said = await asyncio.wait_for(answer, WAIT_S)
        assert "error" not in said, said
        result: dict[str, Any] = said["result"]
        return result

    async def open(self, url: str, width: int = 1440, height: int = 1000) -> None:
        """Load a page and wait for its load event."""
        for domain in ("Page", "Runtime", "Log", "Network"):
            await self.call(f"{domain}.enable")
        await self.call("Emulation.setFocusEmulationEnabled", enabled=True)
        await self.size(width, height)
        await self.call("Page.navigate", url=url)
        await asyncio.wait_for(self._loaded.wait(), WAIT_S)

    async def size(self, width: int, height: int) -> None:
        """Give the page another window."""
        await self.call(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False
        )

    async def value(self, expression: str) -> Any:
        """Evaluate JavaScript in the page (a promise is awaited)."""
        said = await self.call("Runtime.evaluate", expression=expression, awaitPromise=True, returnByValue=True)
        assert "exceptionDetails" not in said, said["exceptionDetails"]
        return said["result"].get("value")

    async def until(self, condition: str) -> None:
        """Wait in the page until a JavaScript expression is true."""
        promise = (
            "new Promise((done, failed) => { const end = performance.now() + 20000; const look = () => {"
            f"if ({condition}) done(true); else if (performance.now() > end) failed(new Error('waited in vain'));"
            "else setTimeout(look, 20); }; look(); })"
        )
        assert await self.value(promise) is True

    async def text(self, identity: str) -> str:
        """An element's text."""
        return str(await self.value(f"document.getElementById({identity!r}).textContent"))

    async def press(self, key: str) -> None:
        """One key, down and up."""
        text = {"Enter": "\r", " ": " "}.get(key, "")
        codes = {"Enter": 13, "Escape": 27, "Tab": 9, " ": 32}
        arrows = {"ArrowLeft": 37, "ArrowUp": 38, "ArrowRight": 39, "ArrowDown": 40}
        code = codes.get(key) or arrows.get(key, 0)
        await self.call("Input.dispatchKeyEvent", type="keyDown", key=key, text=text, windowsVirtualKeyCode=code)
        await self.call("Input.dispatchKeyEvent", type="keyUp", key=key, windowsVirtualKeyCode=code)

    async def picture(self, path: Path) -> None:
        """The whole page as PNG."""
        said = await self.call("Page.captureScreenshot", format="png", captureBeyondViewport=True)
        path.write_bytes(base64.b64decode(said["data"]))  # noqa: ASYNC240 - a test's file


@asynccontextmanager
async def browser(profile: Path) -> AsyncIterator[Browser]:
    """Start Chromium with a fresh profile; it ends with the block."""
    assert CHROMIUM
    process = await asyncio.create_subprocess_exec(
        CHROMIUM, *FLAGS, f"--user-data-dir={profile}", "about:blank",
        stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    assert process.stderr is not None
    drain = None
    try:
        address = await asyncio.wait_for(_devtools(process.stderr), WAIT_S)
        drain = asyncio.create_task(process.stderr.read())
        async with aiohttp.ClientSession() as session:
            async with session.get(f"http://{address}/json/list") as answer:
                targets = await answer.json()
            page = next(t for t in targets if t["type"] == "page")
            async with session.ws_connect(page["webSocketDebuggerUrl"], max_msg_size=1 << 28) as socket:
                found = Browser(socket)
                reader = asyncio.create_task(found.read())
                try:
                    yield found
                finally:
                    reader.cancel()
    finally:
        if process.returncode is None:
            process.terminate()
        await process.wait()
        if drain is not None:
            await drain


async def _devtools(errors: asyncio.StreamReader) -> str:
    """The address that Chromium prints when it is ready."""
    while line := (await errors.readline()).decode():
        if "DevTools listening on ws://" in line:
            return line.split("ws://")[1].split("/")[0]
    raise AssertionError("Chromium ended before it was ready")
