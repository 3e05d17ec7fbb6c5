"""Who may ask: the gate before every page of the desk.

A web page from anywhere can make the owner's browser send requests to this machine. So a request passes only if it
names this desk as its host (which a rebound name of the internet cannot), comes from the desk's own pages where it
changes anything, and bears the cookie that only the token of the first address gives. What passes is answered under a
policy that lets the browser run the desk's own script and load nothing from elsewhere.
"""

from __future__ import annotations

import asyncio
import hmac
import secrets
from collections.abc import Callable, Iterable
from typing import Any

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

LARGEST_BODY = 64 << 10
"""Of a form without files [bytes]."""
LARGEST_UPLOAD = 64 << 20
"""Of a form that may hold photographs [bytes]."""
LONGEST_TARGET = 4096
BODY_S = 30.0
"""So long may a form keep the desk waiting for its next piece [s]."""
_CRAFTED = (b"..", b"%2e", b"%2f", b"%5c", b"\\", b"//", b"%00")
_TWICE = ("host", "origin", "sec-fetch-site", "content-type", "content-length", "transfer-encoding", "cookie")
"""Headers that decide who may ask; of two of one kind nobody knows which counts."""

POLICY = (
    "default-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; img-src 'self' data:; "
    "style-src 'self'; script-src 'self'; connect-src 'self'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",  # none at all would make the browser call the origin of its forms null
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
    "cache-control": "no-store",
}


class Gate:
    """Lets through what the owner's own browser asks of this desk; all else is answered with one line and a number.

    Parameters
    ----------
    hosts : iterable of str
        What the Host header may say, with the port.
    token : str
        What the first address holds: `/open/TOKEN` gives the cookie and leads to `home`.
    home : where the first address leads
    uploads : last parts of the paths whose forms may hold photographs
    too_large : what answers an upload that is longer than it may be, by its path
    posts : whether a path may be posted to
    """

    def __init__(
        self,
        app: ASGIApp,
        hosts: Iterable[str],
        token: str,
        *,
        home: str = "/",
        uploads: Iterable[str] = (),
        too_large: Callable[[str], Response] = lambda path: PlainTextResponse("That is too long.", 413),
        posts: Callable[[str], bool] = lambda path: True,
    ) -> None:
        self._app, self._hosts, self._token, self._home = app, frozenset(hosts), token, home
        self._session = secrets.token_urlsafe(32)
        port = next(iter(self._hosts)).rpartition(":")[2]
        self.cookie = f"desk_{port}"  # cookies know no ports: two desks must not take each other's
        self._uploads, self._too_large, self._posts = frozenset(uploads), too_large, posts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":  # a websocket: there is none
            await send({"type": "websocket.close", "code": 1008})
            return
        headers = Headers(scope=scope)
        refused = self._refused(scope, headers)
        path = scope["path"]
        if refused is not None:
            if refused.status_code == 413 and self._most(path) == LARGEST_UPLOAD and self._knows(headers):
                refused = self._too_large(path)
            await self._answered(refused, scope, receive, send)
            return
        if path.startswith("/open/"):
            await self._answered(self._opened(path), scope, receive, send)
            return
        if not self._knows(headers):
            said = "Open the desk by its own address: the one that it shows when it starts."
            await self._answered(PlainTextResponse(said, 403), scope, receive, send)
            return
        limited = _Limited(receive, self._most(path))
        try:
            await self._app(scope, limited, limited.unless_refused(_with_headers(send)))
        except ClientDisconnect:
            pass  # gone, or refused: what is left of it is nobody's
        finally:
            if limited.refused is not None and not limited.answered:
                await self._answered(limited.refused, scope, receive, send)

    def _most(self, path: str) -> int:
        return LARGEST_UPLOAD if path.rsplit("/", 1)[-1] in self._uploads else LARGEST_BODY

    def _refused(self, scope: Scope, headers: Headers) -> Response | None:
        raw = scope.get("raw_path") or scope["path"].encode()
        if len(raw) + len(scope.get("query_string", b"")) > LONGEST_TARGET:
            return PlainTextResponse("That address is too long.", 414)
        if any(len(headers.getlist(name)) > 1 for name in _TWICE):
            return PlainTextResponse("A header was sent twice.", 400)
        host = headers.get("host")
        if host not in self._hosts:
            return PlainTextResponse("This desk does not answer to that name.", 421)
        # An address that is taken apart in two ways by two readers is asked by nobody who means well.
        if any(bad in raw.lower() for bad in _CRAFTED):
            return PlainTextResponse("Page not found.", 404)
        method, site = scope["method"], headers.get("sec-fetch-site")
        if method not in {"GET", "HEAD", "POST"}:
            return PlainTextResponse("This is not allowed here.", 405)
        opening = scope["path"].startswith("/open/") and method == "GET"
        if site not in {None, "same-origin", "none"} and not opening:
            return PlainTextResponse("Other sites may not ask this.", 403)
        origin = headers.get("origin")
        if origin is not None and origin != f"http://{host}":
            return PlainTextResponse("Other sites may not ask this.", 403)
        if method == "POST":
            if origin is None:
                return PlainTextResponse("Only this desk's own pages may change anything.", 403)
            if opening or not self._posts(scope["path"]):
                return PlainTextResponse("This is not allowed here.", 405)
            length = headers.get("content-length", "")
            if length and (len(length) > 18 or int(length) > self._most(scope["path"])):  # digits: h11 sees to that
                return PlainTextResponse("This is too long.", 413)
            kind = headers.get("content-type", "").partition(";")[0].strip().lower()
            if kind not in {"application/x-www-form-urlencoded", "multipart/form-data"}:
                return PlainTextResponse("Only forms are accepted.", 415)
        return None

    def _opened(self, path: str) -> Response:
        given = path.removeprefix("/open/")
        if not hmac.compare_digest(given.encode("utf-8", "replace"), self._token.encode()):
            return PlainTextResponse("This address belongs to another desk, or to one that has ended.", 403)
        answer = RedirectResponse(self._home, 303)
        answer.set_cookie(self.cookie, self._session, httponly=True, samesite="strict", path="/")
        return answer

    def _knows(self, headers: Headers) -> bool:
        for each in headers.get("cookie", "").split(";"):
            name, _, value = each.strip().partition("=")
            if name == self.cookie and hmac.compare_digest(value.encode("utf-8", "replace"), self._session.encode()):
                return True
        return False

    async def _answered(self, answer: Response, scope: Scope, receive: Receive, send: Send) -> None:
        await answer(scope, receive, _with_headers(send))


class _Limited:
    """`receive` that ends where a body grows too long, whatever its header said, or stops coming.

    What the page then answers is nobody's: `refused` is to be answered in its place.
    """

    def __init__(self, receive: Receive, most: int) -> None:
        self._receive, self._left, self._more = receive, most, True
        self.refused: Response | None = None
        self.answered = False

    async def __call__(self) -> Message:
        if self.refused is not None:
            return {"type": "http.disconnect"}
        try:
            message = await asyncio.wait_for(self._receive(), BODY_S if self._more else None)
        except TimeoutError:
            return self._refuse("The rest of the form did not arrive.", 408)
        if message["type"] == "http.request":
            self._more = bool(message.get("more_body"))
            self._left -= len(message.get("body", b""))
            if self._left < 0:
                return self._refuse("This is too long.", 413)
        return message

    def _refuse(self, said: str, status: int) -> Message:
        self.refused = PlainTextResponse(said, status, {"connection": "close"})
        return {"type": "http.disconnect"}

    def unless_refused(self, send: Send) -> Send:
        async def sent(message: Message) -> None:
            if self.refused is None or self.answered:
                self.answered = True
                await send(message)

        return sent


def _with_headers(send: Send) -> Callable[[Message], Any]:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers.setdefault(name, value)
        await send(message)

    return sent
