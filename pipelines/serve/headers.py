"""What every answer of the server carries, and what no request may be."""

from __future__ import annotations

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

LARGEST_BODY = 16 << 10
"""Bytes: a form with its longest note takes a tenth."""

OWN_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'")
"""Of the server's own pages: they load and run its own files and nothing else. Source of the words:
W3C, Content Security Policy Level 3."""

SHEET_POLICY = "base-uri 'none'; form-action 'none'; frame-ancestors 'none'; object-src 'none'"
"""Of the sheets' pages, which state the rest themselves."""


class SafeHeaders:
    """Adds the headers to every answer, and refuses bodies that are too large."""

    def __init__(self, app: ASGIApp, *, secure: bool) -> None:
        self.app = app
        self.secure = secure

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        own = not scope["path"].startswith(("/reports/", "/timing/", "/parts/"))

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers["content-security-policy"] = OWN_POLICY if own else SHEET_POLICY
                headers["x-content-type-options"] = "nosniff"
                headers["referrer-policy"] = "same-origin"
                headers["cross-origin-opener-policy"] = "same-origin"
                if self.secure:
                    headers["strict-transport-security"] = "max-age=31536000"
            await send(message)

        length = Headers(scope=scope).get("content-length", "")
        if scope["method"] == "POST" and not (
                length.isdecimal() and int(length) <= LARGEST_BODY):
            answer = PlainTextResponse("too large, or without its length\n", 413)
            await answer(scope, receive, with_headers)
            return
        await self.app(scope, receive, with_headers)
