"""The page's server: who may connect, what a browser may load, and the web socket.

| who asks                               | is kept out by                                                    |
|----------------------------------------|-------------------------------------------------------------------|
| another machine                        | only the loopback address is listened at, unless `--public`       |
| a page whose name was made to lead here| the Host header has to be this server's address                   |
| a page of somewhere else               | the Origin header has to be this server's; the key                |
| another program or user here           | the key, which is in the page's address after `#`: it is in no    |
|                                        | request, and the first thing that is said on the socket           |
| a text that looks like markup          | the page makes text nodes only; the policy below forbids inline   |
|                                        | script, and any other place to load from                          |
"""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import ipaddress
import json
import secrets
from collections.abc import Awaitable, Callable
from importlib import resources
from typing import Any
from urllib.parse import urlsplit

from wirevow.emu.panel.session import MOST_PAGES, Message, Page, Session
from wirevow.emu.ports.tcp import is_loopback, listen, place
from wirevow.protocol.errors import WirevowError

try:
    from aiohttp import WSMsgType, web
except ImportError as error:
    raise WirevowError("the web bench needs aiohttp: pip install 'wirevow[panel]'") from error

LONGEST_MESSAGE = 16_384
"""Bytes that a page may send at once."""
ADMISSION_S = 5.0
"""Within this time a page has to say the key."""
KINDS = {
    ".html": "text/html",
    ".css": "text/css",
    ".js": "text/javascript",
    ".svg": "image/svg+xml",
    ".txt": "text/plain",
}
POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "connect-src 'self'",
        "base-uri 'none'",
        "form-action 'none'",
        "frame-ancestors 'none'",
        "require-trusted-types-for 'script'",
        "trusted-types 'none'",
    )
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}


class PageServer:
    """Serves the page of a session. `at` is HOST:PORT; raises PortError if it cannot be listened at."""

    def __init__(self, session: Session, at: str = "127.0.0.1:0", public: bool = False) -> None:
        self._session = session
        self._socket = listen(f"tcp:{at}", public)
        self.key = secrets.token_urlsafe(18)
        where = place(self._socket)
        host, _, port = where.rpartition(":")
        self._public = not is_loopback(host.strip("[]"))
        self._hosts = {where, f"localhost:{port}", f"127.0.0.1:{port}", f"[::1]:{port}"}
        self.address = f"http://{where}/#{self.key}"
        self._sockets: set[web.WebSocketResponse] = set()

    async def run(self) -> None:
        """Serve until cancelled."""
        application = web.Application(middlewares=[self._guarded], client_max_size=LONGEST_MESSAGE)
        application.router.add_get("/live", self._live)
        application.router.add_get("/{name:[a-z0-9.-]*}", _file)
        runner = web.AppRunner(application, access_log=None, shutdown_timeout=1.0)
        await runner.setup()
        try:
            await web.SockSite(runner, self._socket).start()
            await self._session.look()
        finally:
            await self._session.close()
            for open_socket in list(self._sockets):
                await open_socket.close()
            await runner.cleanup()

    @web.middleware
    async def _guarded(
        self, request: web.Request, handler: Callable[[web.Request], Awaitable[web.StreamResponse]]
    ) -> web.StreamResponse:
        if not self._known(request.headers.get("Host", "")):
            raise web.HTTPForbidden(text="this server goes by another name\n", headers=HEADERS)
        try:
            return await handler(request)
        except web.HTTPException as refused:
            refused.headers.update(HEADERS)
            raise

    def _known(self, host: str) -> bool:
        """Whether a request's Host is this server. A public one has addresses that it does not know of: one
        in figures is no name that somebody else could make lead here."""
        if host in self._hosts:
            return True
        try:
            ipaddress.ip_address(host.rpartition(":")[0].strip("[]"))
        except ValueError:
            return False
        return self._public

    async def _live(self, request: web.Request) -> web.StreamResponse:
        origin = urlsplit(request.headers.get("Origin", ""))
        if origin.scheme != "http" or origin.netloc != request.headers.get("Host"):
            raise web.HTTPForbidden(text="a page of another origin cannot look at this instrument\n")
        live = web.WebSocketResponse(max_msg_size=LONGEST_MESSAGE, heartbeat=20.0)
        await live.prepare(request)
        self._sockets.add(live)
        try:
            if await self._admitted(live):
                await self._attend(live)
        finally:
            self._sockets.discard(live)
            await live.close()
        return live

    async def _admitted(self, live: web.WebSocketResponse) -> bool:
        try:
            first = await asyncio.wait_for(live.receive(), ADMISSION_S)
        except TimeoutError:
            return False
        said = first.data if first.type is WSMsgType.TEXT else ""
        if not hmac.compare_digest(said.encode("utf-8", "replace"), self.key.encode()):
            await live.send_json(
                {"is": "refused", "text": "the key in this page's address is not the present one"}
            )
            return False
        if len(self._session.pages) >= MOST_PAGES:
            await live.send_json({"is": "refused", "text": f"{MOST_PAGES} pages are open already: close one"})
            return False
        return True

    async def _attend(self, live: web.WebSocketResponse) -> None:
        async def send(message: Message) -> None:
            await live.send_str(json.dumps(message, separators=(",", ":")))

        async def come() -> Message | None:
            while True:
                came = await live.receive()
                if came.type is not WSMsgType.TEXT:
                    return None
                message: Any = None
                with contextlib.suppress(ValueError, RecursionError):
                    message = json.loads(came.data)
                if isinstance(message, dict):
                    return message

        await self._session.attend(Page(send), come)


async def _file(request: web.Request) -> web.Response:
    """A file of the page."""
    name = request.match_info["name"] or "index.html"
    kind = KINDS.get(name[name.rfind(".") :])
    file = resources.files("wirevow.emu.panel").joinpath("static", name)
    if kind is None or ".." in name or not file.is_file():
        raise web.HTTPNotFound(text="there is no such file\n")
    return web.Response(body=file.read_bytes(), content_type=kind, charset="utf-8", headers=HEADERS)
