"""A real headless Chromium, driven over its debugging socket."""

from __future__ import annotations

import asyncio
import base64
import shutil
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from typing import Any

import pytest

aiohttp = pytest.importorskip("aiohttp", reason="the page needs the extra `page`")

PROGRAM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
FLAGS = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"),
    *("--mute-audio", "--disable-component-update", "--disable-sync", "--disable-extensions", "--no-proxy-server"),
    *("--window-size=400,300", "--force-color-profile=srgb", "--remote-debugging-port=0"),
)


class Tab:
    """One page of the browser. Blocking calls; the socket lives in a thread of its own."""

    def __init__(self, socket_url: str) -> None:
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._thread.start()
        self._ids = count(1)
        self._session, self._socket = self._do(self._connect(socket_url))

    async def _connect(self, url: str) -> tuple[Any, Any]:
        session = aiohttp.ClientSession()
        return session, await session.ws_connect(url, max_msg_size=64 << 20)

    def _do(self, work: Any) -> Any:
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(20)

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        async def exchange() -> dict[str, Any]:
            number = next(self._ids)
            await self._socket.send_json({"id": number, "method": method, "params": params})
            while True:
                answer = await self._socket.receive_json()
                if answer.get("id") == number:
                    assert "error" not in answer, answer
                    return dict(answer["result"])

        return dict(self._do(exchange()))

    def run(self, script: str) -> Any:
        """Value of a JavaScript expression."""
        got = self.call("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True, userGesture=True)
        assert "exceptionDetails" not in got, got
        return got["result"].get("value")

    def open(self, url: str) -> None:
        self.call("Page.navigate", url=url)
        self.until("document.readyState === 'complete' && location.href !== 'about:blank'")

    def until(self, script: str, timeout_s: float = 10.0) -> Any:
        end = time.monotonic() + timeout_s
        while not (value := self.run(script)):
            assert time.monotonic() < end, f"never true: {script}"
            time.sleep(0.02)
        return value

    def picture(self) -> Any:
        """[y, x, rgb] what is on the screen."""
        import io

        import numpy as np
        from PIL import Image

        data = base64.b64decode(self.call("Page.captureScreenshot", format="png")["data"])
        return np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))

    def close(self) -> None:
        async def end() -> None:
            await self._socket.close()
            await self._session.close()

        self._do(end())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(5)
        self._loop.close()


@contextmanager
def browser(profile: Path) -> Iterator[Tab]:
    """Start Chromium with a fresh profile; its first tab."""
    process = subprocess.Popen(
        [str(PROGRAM), *FLAGS, f"--user-data-dir={profile}", "about:blank"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    tab = None
    try:
        port = _port(profile)
        tab = Tab(_socket_url(port))
        yield tab
    finally:
        if tab is not None:
            tab.close()
        process.terminate()
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(5)


def _port(profile: Path) -> int:
    end = time.monotonic() + 20
    while time.monotonic() < end:
        try:
            return int((profile / "DevToolsActivePort").read_text().splitlines()[0])
        except (OSError, IndexError, ValueError):
            time.sleep(0.05)
    raise AssertionError("Chromium did not start")


def _socket_url(port: int) -> str:
    import json
    from http.client import HTTPConnection

    connection = HTTPConnection("127.0.0.1", port, timeout=10)
    try:
        connection.request("GET", "/json")
        targets = json.loads(connection.getresponse().read())
    finally:
        connection.close()
    return str(next(t["webSocketDebuggerUrl"] for t in targets if t["type"] == "page"))
