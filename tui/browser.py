"""The read-only monitor in a browser: the framework's own web bridge, on loopback unless a word and a token say more.

Every page that opens starts a monitor of its own that can only look (`longhold watch --served`). A page of another
origin cannot open one: host and origin of each request are checked, and beyond loopback a token is asked for.
"""

from __future__ import annotations

import asyncio
import hmac
import importlib.util
import ipaddress
import logging
import secrets
import shlex
import sys
from collections.abc import Awaitable, Callable, Sequence
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from models.errors import InputError

if TYPE_CHECKING:
    from aiohttp import web

WORD = "network"
TOKEN_BYTES = 24
COOKIE = "longhold-token"
MOST_PAGES = 12  # monitors open at once
NOTHING_FROM_ELSEWHERE = (
    "default-src 'self'; script-src 'self' 'unsafe-inline'; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data:; font-src 'self' data:; connect-src 'self' ws: wss:; frame-ancestors 'none'"
)
Handler = Callable[["web.Request"], Awaitable["web.StreamResponse"]]


def is_loopback(host: str) -> bool:
    """Whether an address is this computer alone."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def token_for(host: str, word: str | None, public_url: str | None = None) -> str | None:
    """A fresh token where the page can be reached from elsewhere; None on loopback.

    Raises
    ------
    InputError
        Beyond loopback without the word; or a word that is not the one.
    """
    if word is not None and word != WORD:
        raise InputError(f"--expose is '{word}'; the word is '{WORD}': everybody on that network can then try the page")
    if not is_loopback(host):
        if word is None:
            raise InputError(
                f"--host {host} can be reached from elsewhere: say so with --expose {WORD} (a token is printed then), "
                "or stay on 127.0.0.1 and use your own tunnel"
            )
        return secrets.token_urlsafe(TOKEN_BYTES)
    return secrets.token_urlsafe(TOKEN_BYTES) if word is not None or public_url is not None else None


def allowed_hosts(host: str, port: int, public_url: str | None) -> frozenset[str]:
    """What may stand in a request's Host header; a name that merely resolves to us is not ours."""
    names = {host} | ({"127.0.0.1", "localhost", "[::1]"} if is_loopback(host) else set())
    out = {f"{name}:{port}" for name in names}
    if public_url is not None:
        out.add(urlsplit(public_url).netloc)
    return frozenset(out)


def refused(
    host_header: str, origin: str | None, given: str | None, *, hosts: frozenset[str], token: str | None
) -> str | None:
    """Why a request is turned away; None where it may pass. ``given``: its token, from its address or its cookie."""
    if host_header not in hosts:
        return "this page is not served under that name"
    if origin is not None and urlsplit(origin).netloc != host_header:
        return "a page of another origin may not open it"
    if token is not None and not (given is not None and hmac.compare_digest(given, token)):
        return "the token is missing or wrong: open the address that 'longhold watch --browser' printed"
    return None


def command_of(runs: Sequence[str]) -> str:
    """What each page starts."""
    entry = "import sys; from tui.cli import main; main()"
    return shlex.join([sys.executable, "-c", entry, "watch", "--served", *runs])


def make_server(
    runs: Sequence[str], *, host: str, port: int, token: str | None, public_url: str | None
) -> Any:  # textual_serve.server.Server
    """The bridge with its gate; ``serve`` runs it.

    Raises
    ------
    InputError
        The bridge is not installed.
    """
    if importlib.util.find_spec("textual_serve") is None:
        raise InputError("the browser bridge is not installed: pip install 'longhold[browser]'")
    from aiohttp import web
    from textual_serve.server import Server

    hosts = allowed_hosts(host, port, public_url)

    class Gated(Server):
        """The bridge; nothing passes before host, origin and token are looked at."""

        open_pages = 0

        async def _make_app(self) -> web.Application:
            app: web.Application = await super()._make_app()
            app.middlewares.append(self.gate)
            return app

        async def on_startup(self, app: web.Application) -> None:
            """The bridge's own banner is left out; `serve` says where it listens."""

        @web.middleware
        async def gate(self, request: web.Request, handler: Handler) -> web.StreamResponse:
            given = request.query.get("token") or request.cookies.get(COOKIE)
            why = refused(request.host, request.headers.get("Origin"), given, hosts=hosts, token=token)
            if why is not None:
                raise web.HTTPForbidden(text=f"longhold: {why}\n")
            if request.path == "/ws":
                return await self._one_page(request, handler)
            if token is not None and "token" in request.query:
                # into a cookie and out of the address, where it would be seen over a shoulder
                moved = web.HTTPFound(request.path)
                moved.set_cookie(COOKIE, token, httponly=True, samesite="Strict", secure=request.secure)
                raise moved
            response = await handler(request)
            response.headers.setdefault("Referrer-Policy", "no-referrer")
            response.headers.setdefault("X-Frame-Options", "DENY")
            response.headers.setdefault("Cache-Control", "no-store")
            response.headers.setdefault("Content-Security-Policy", NOTHING_FROM_ELSEWHERE)
            return response

        async def _one_page(self, request: web.Request, handler: Handler) -> web.StreamResponse:
            if self.open_pages >= MOST_PAGES:
                raise web.HTTPServiceUnavailable(text=f"longhold: {MOST_PAGES} pages are open already\n")
            self.open_pages += 1
            try:
                return await handler(request)
            finally:
                self.open_pages -= 1

    url = public_url if public_url is not None else f"http://{_in_url(host)}:{port}"
    return Gated(command_of(runs), host=host, port=port, title="longhold watch (read-only)", public_url=url.rstrip("/"))


def _in_url(host: str) -> str:
    return f"[{host}]" if ":" in host else host


def serve(runs: Sequence[str], *, host: str, port: int, word: str | None, public_url: str | None) -> None:
    """Serve until Ctrl-C.

    Raises
    ------
    InputError
        Beyond loopback without word; the port is taken; the bridge is not installed; a URL that is none.
    """
    from aiohttp import web

    from tui.out import say

    parts = urlsplit(public_url or "http://loopback")
    if parts.scheme not in ("http", "https") or not parts.netloc:
        raise InputError(f"--public-url is '{public_url}'; an address such as https://bench.example is needed")
    if host in ("0.0.0.0", "::") and public_url is None:
        raise InputError(f"--host {host} is every address: say with --public-url which one is typed into the browser")
    token = token_for(host, word, public_url)
    server = make_server(runs, host=host, port=port, token=token, public_url=public_url)
    logging.getLogger("aiohttp.access").setLevel(logging.WARNING)

    async def until_stopped() -> None:
        runner = web.AppRunner(await server._make_app())
        await runner.setup()
        try:
            try:
                await web.TCPSite(runner, host, port).start()
            except OSError as error:
                raise InputError(f"--port {port} on {host}: {error.strerror or error}; another --port?") from None
            base = public_url.rstrip("/") if public_url else f"http://{_in_url(host)}:{port}"
            say(f"read-only monitor: {base}/" + (f"?token={token}" if token else ""))
            if token:
                say("whoever has this address can look; it cannot ask a run for anything. Use it over https only.")
            say("Ctrl-C ends it; runs go on.")
            await asyncio.Event().wait()
        finally:
            await runner.cleanup()

    asyncio.run(until_stopped())
