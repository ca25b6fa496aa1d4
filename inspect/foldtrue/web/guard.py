"""What every request passes before a page sees it, and every answer before it leaves.

The server listens on this machine only, but a browser on this machine also runs other people's pages. So a request must
name this server as its host (against DNS rebinding), one that changes something must come from a page of this server
(against forged requests), and bodies have a size and a pace. Headers after the OWASP Secure Headers recommendations
[from memory].
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Mapping
from dataclasses import dataclass

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

LOOPBACK = ("127.0.0.1", "localhost", "[::1]")
_SAFE = ("GET", "HEAD", "OPTIONS")
_HANG_UP = (403, 408, 413, 421)
"""After these the line is closed: what is still coming of the body is not even read."""
HEADERS: Mapping[str, str] = {
    "Content-Security-Policy": "default-src 'none'; img-src 'self' blob:; script-src 'self'; style-src 'self'; "
    "connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(self), microphone=(), geolocation=()",
    "Cache-Control": "no-store",
}


@dataclass(frozen=True, kw_only=True)
class Limits:
    """max_bytes: of a request's body. pause_s: longest silence while a body arrives. whole_s: longest time for all of
    it."""

    max_bytes: int = 400_000_000
    pause_s: float = 20.0
    whole_s: float = 300.0


class Guard:
    """ASGI middleware around the whole app. hosts: what a request's Host header may say, with the port."""

    def __init__(self, app: ASGIApp, hosts: frozenset[str], limits: Limits | None = None) -> None:
        self._app = app
        self._hosts = hosts
        self._limits = limits or Limits()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        refusal = self._refusal(scope["method"], headers)
        if refusal is not None:
            await refusal(scope, receive, _with_headers(send))
            return
        await self._app(scope, _paced(receive, self._limits), _with_headers(send))

    def _refusal(self, method: str, headers: Headers) -> PlainTextResponse | None:
        if headers.get("host", "").lower() not in self._hosts:
            return PlainTextResponse("This server answers to its own address only.", 421)
        if method not in _SAFE and not self._from_here(headers):
            return PlainTextResponse("This request comes from another page.", 403)
        if _declared(headers) > self._limits.max_bytes:
            return PlainTextResponse(_too_large(self._limits), 413)
        return None

    def _from_here(self, headers: Headers) -> bool:
        """A browser names the page that sends: Origin always with a POST, Sec-Fetch-Site in all current browsers."""
        if headers.get("sec-fetch-site", "same-origin") != "same-origin":
            return False
        origin = headers.get("origin", "").lower()
        return origin in {f"http://{host}" for host in self._hosts}


def allowed_hosts(port: int) -> frozenset[str]:
    return frozenset(f"{host}:{port}" for host in LOOPBACK)


def _declared(headers: Headers) -> int:
    length = headers.get("content-length", "")
    if not length:
        return 0
    return int(length) if length.isdecimal() and len(length) < 19 else 1 << 62


def _too_large(limits: Limits) -> str:
    return f"More than {limits.max_bytes // 1_000_000} MB at once. Send fewer or smaller photos."


def _paced(receive: Receive, limits: Limits) -> Receive:
    """`receive` that ends the request where its body passes a limit: HTTPException 408 or 413, which the app tells."""
    count, end = 0, time.monotonic() + limits.whole_s
    whole = False

    async def paced() -> Message:
        nonlocal count, whole
        if whole:  # what follows a whole body is the news that the browser left, which may come at any time
            return await receive()
        try:
            message = await asyncio.wait_for(receive(), min(limits.pause_s, max(end - time.monotonic(), 0.0)))
        except TimeoutError:
            raise HTTPException(408, "The upload came too slowly and was given up.") from None
        if message["type"] == "http.request":
            count += len(message.get("body", b""))
            whole = not message.get("more_body", False)
        if count > limits.max_bytes:
            raise HTTPException(413, _too_large(limits))
        return message

    return paced


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers.setdefault(name, value)
            if message["status"] in _HANG_UP:
                headers["Connection"] = "close"
        await send(message)

    return sending
