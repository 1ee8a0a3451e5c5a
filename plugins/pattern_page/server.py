"""The web server of the pattern page: three routes below one secret address, on one interface, for one display.

Long polling instead of a WebSocket: every browser that can run the page has it, lists are played by the page itself frame by
frame, so that the way of the order doesn't matter for their timing, and one way is half as much to attack.
"""

from __future__ import annotations

import asyncio
import base64
import hmac
import secrets
import threading
from collections.abc import Awaitable, Callable
from functools import cache
from importlib.resources import files
from typing import Final

from aiohttp import web
from pydantic import ValidationError

from .conversation import Conversation, Report

_POLL_S: Final = 1.0
_MAX_BODY: Final = 128 * 1024
_WRONG_PER_S: Final = 5.0
"""Wrong addresses answered a second; more wait. 60 random bits then outlast any network."""
_ALPHABET: Final = "abcdefghijkmnpqrstuvwxyz23456789"
Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


def new_token() -> str:
    """Twelve characters of 32 that can't be mistaken for each other: 60 random bits, short enough to type."""
    return "".join(secrets.choice(_ALPHABET) for _ in range(12))


class PageServer:
    """Runs in a thread of its own until it is closed."""

    def __init__(self, address: str, port: int, token: str, blank_s: float, conversation: Conversation) -> None:
        """Args: address, port: where to listen (0: any port); token: secret part; blank_s: told to the page; conversation."""
        self._address = address
        self.port = port
        self._token = token
        self._blank_s = blank_s
        self._talk = conversation
        self._loop = asyncio.new_event_loop()
        self._news = asyncio.Event()
        self._gate = asyncio.Semaphore(1)
        self._stop = asyncio.Event()
        self._failure: BaseException | None = None
        self._started = threading.Event()
        self._thread = threading.Thread(target=self._run, name="pattern-page", daemon=True)

    def start(self) -> None:
        """Listen. Raises OSError when the address or port can't be had."""
        self._talk.on_order = self._wake
        self._thread.start()
        self._started.wait(10)
        if self._failure is not None:
            self._thread.join(5)
            raise self._failure

    def close(self) -> None:
        """Stop listening. Safe to call twice."""
        if self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._stop.set)
            self._thread.join(5)

    @property
    def origin(self) -> str:
        """`http://address:port`"""
        host = f"[{self._address}]" if ":" in self._address else self._address
        return f"http://{host}:{self.port}"

    @property
    def url(self) -> str:
        """What to open on the display."""
        return f"{self.origin}/{self._token}"

    def _wake(self) -> None:
        if not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._news.set)

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        try:
            self._loop.run_until_complete(self._serve())
        except BaseException as exc:
            self._failure = exc
        finally:
            self._started.set()
            self._loop.close()

    async def _serve(self) -> None:
        app = web.Application(client_max_size=_MAX_BODY, middlewares=[self._guard])
        app.router.add_route("*", "/{tail:.*}", self._route)
        runner = web.AppRunner(app, access_log=None, handle_signals=False, shutdown_timeout=1.0)
        await runner.setup()
        try:
            site = web.TCPSite(runner, self._address, self.port, backlog=16)
            await site.start()
            self.port = runner.addresses[0][1]
            self._started.set()
            await self._stop.wait()
        finally:
            await runner.cleanup()

    @web.middleware  # type: ignore[untyped-decorator]  # the types of the server library are not read
    async def _guard(self, request: web.Request, handler: Handler) -> web.StreamResponse:
        """Only requests that name this very address get further: a page elsewhere can't reach it through another name."""
        expected = self.origin.removeprefix("http://")
        origin = request.headers.get("Origin")
        if request.headers.get("Host", "") != expected or (origin is not None and origin != self.origin):
            return _plain(421, "")
        response = await handler(request)
        response.headers.update(_HEADERS)
        return response

    async def _route(self, request: web.Request) -> web.StreamResponse:
        token, _, rest = request.path.removeprefix("/").partition("/")
        if not hmac.compare_digest(token.encode("utf-8", "replace"), self._token.encode()):
            async with self._gate:
                await asyncio.sleep(1 / _WRONG_PER_S)
            return _plain(404, "")
        known: dict[tuple[str, str], Handler] = {
            ("GET", ""): self._page,
            ("GET", "next"): self._next,
            ("POST", "report"): self._report,
        }
        handler = known.get((request.method, rest))
        return await handler(request) if handler else _plain(404, "")

    async def _page(self, request: web.Request) -> web.StreamResponse:
        nonce = secrets.token_urlsafe(12)
        text = _page_text().replace("@NONCE@", nonce)
        self._talk.loaded(request.headers.get("User-Agent", "")[:300])
        policy = (
            f"default-src 'none'; style-src 'nonce-{nonce}' 'unsafe-inline'; script-src 'nonce-{nonce}'; connect-src 'self'; "
            "media-src data:; "
            "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
        )
        return web.Response(text=text, content_type="text/html", headers={"Content-Security-Policy": policy})

    async def _next(self, request: web.Request) -> web.StreamResponse:
        page, seen = request.query.get("page", ""), request.query.get("seen", "")
        state = self._talk.asked(page[:64])
        if state != "known":
            return _plain(409 if state == "other" else 410, "")
        if seen == str(self._talk.order.seq):
            self._news.clear()
            if seen == str(self._talk.order.seq):  # an order given between the question and the clearing would be slept over
                await self._sleep_until_news()
        return _plain(200, self._talk.order.message(self._blank_s))

    async def _sleep_until_news(self) -> None:
        waits = [asyncio.ensure_future(event.wait()) for event in (self._news, self._stop)]
        await asyncio.wait(waits, timeout=_POLL_S, return_when=asyncio.FIRST_COMPLETED)
        for wait in waits:
            wait.cancel()

    async def _report(self, request: web.Request) -> web.StreamResponse:
        try:
            report = Report.model_validate_json(await request.read())
        except ValidationError:
            return _plain(400, "")
        return _plain(204 if self._talk.told(report) else 409, "")


_HEADERS: Final = {
    "Cache-Control": "no-store",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Server": "greystep",
}


@cache
def _page_text() -> str:
    """The page with its video inside: no other route is served."""
    here = files(__package__)
    still = base64.b64encode(here.joinpath("still.mp4").read_bytes()).decode("ascii")
    return here.joinpath("page.html").read_text(encoding="utf-8").replace("@STILL@", still)


def _plain(status: int, text: str) -> web.Response:
    return web.Response(status=status) if status == 204 else web.Response(status=status, text=text)
