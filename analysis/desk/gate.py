"""Who may ask: the gate before every page of the desk.

A web page from anywhere can make the owner's browser send requests to this machine. So a request passes only if it
names this desk as its host (which a rebound name of the internet cannot), comes from the desk's own pages where it
changes anything, and bears the cookie that only the token of the first address gives. What passes is answered under a
policy that lets the browser run the desk's own script and load nothing from elsewhere.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Callable, Iterable
from http.cookies import CookieError, SimpleCookie
from typing import Any

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

LARGEST_BODY = 64 << 10
"""Of a form without files [bytes]."""
LARGEST_UPLOAD = 64 << 20
"""Of a form that may hold photographs [bytes]."""
LONGEST_TARGET = 4096

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
    read_only : paths that may be posted to, where not all
    """

    def __init__(
        self,
        app: ASGIApp,
        hosts: Iterable[str],
        token: str,
        *,
        home: str = "/",
        uploads: Iterable[str] = (),
        posts: Callable[[str], bool] = lambda path: True,
    ) -> None:
        self._app, self._hosts, self._token, self._home = app, frozenset(hosts), token, home
        self._origins = {f"http://{host}" for host in self._hosts}
        self._session = secrets.token_urlsafe(32)
        port = next(iter(self._hosts)).rpartition(":")[2]
        self.cookie = f"desk_{port}"  # cookies know no ports: two desks must not take each other's
        self._uploads, self._posts = frozenset(uploads), posts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":  # a websocket: there is none
            await send({"type": "websocket.close", "code": 1008})
            return
        headers = Headers(scope=scope)
        refused = self._refused(scope, headers)
        if refused is not None:
            await self._answered(refused, scope, receive, send)
            return
        path = scope["path"]
        if path.startswith("/open/"):
            await self._answered(self._opened(path), scope, receive, send)
            return
        if not self._knows(headers):
            said = "This desk was not opened from its own address. Take the one that `pullbook desk` printed."
            await self._answered(PlainTextResponse(said, 403), scope, receive, send)
            return
        most = LARGEST_UPLOAD if path.rsplit("/", 1)[-1] in self._uploads else LARGEST_BODY
        limited = _Limited(receive, most)
        try:
            await self._app(scope, limited, _with_headers(send))
        except _TooLong:
            if not limited.begun:
                raise
            await self._answered(PlainTextResponse("That is too long.", 413), scope, receive, send)

    def _refused(self, scope: Scope, headers: Headers) -> Response | None:
        raw = scope.get("raw_path") or scope["path"].encode()
        if len(raw) + len(scope.get("query_string", b"")) > LONGEST_TARGET:
            return PlainTextResponse("That address is too long.", 414)
        if headers.getlist("host") != [headers.get("host", "")] or headers.get("host") not in self._hosts:
            return PlainTextResponse("This desk does not answer to that name.", 421)
        # An address that is taken apart in two ways by two readers is asked by nobody who means well.
        if any(bad in raw.lower() for bad in (b"..", b"%2e", b"%2f", b"%5c", b"\\", b"//", b"%00")):
            return PlainTextResponse("There is no such page.", 404)
        method, site = scope["method"], headers.get("sec-fetch-site")
        if method not in {"GET", "HEAD", "POST"}:
            return PlainTextResponse("That is not done here.", 405)
        opening = scope["path"].startswith("/open/") and method == "GET"
        if site not in {None, "same-origin", "none"} and not opening:
            return PlainTextResponse("Another site may not ask this.", 403)
        origin = headers.get("origin")
        if origin is not None and origin not in self._origins:
            return PlainTextResponse("Another site may not ask this.", 403)
        if method == "POST":
            if origin is None:
                return PlainTextResponse("Only this desk's own pages may change anything.", 403)
            if opening or not self._posts(scope["path"]):
                return PlainTextResponse("That is not done here.", 405)
            length = headers.get("content-length", "")
            most = LARGEST_UPLOAD if scope["path"].rsplit("/", 1)[-1] in self._uploads else LARGEST_BODY
            if length and (not length.isascii() or not length.isdigit() or int(length[:20]) > most):
                return PlainTextResponse("That is too long.", 413)
            kind = headers.get("content-type", "").partition(";")[0].strip().lower()
            if kind not in {"application/x-www-form-urlencoded", "multipart/form-data"}:
                return PlainTextResponse("Only forms are taken.", 415)
        return None

    def _opened(self, path: str) -> Response:
        given = path.removeprefix("/open/")
        if not hmac.compare_digest(given.encode("utf-8", "replace"), self._token.encode()):
            return PlainTextResponse("That address is of another desk, or of one that has ended.", 403)
        answer = RedirectResponse(self._home, 303)
        answer.set_cookie(self.cookie, self._session, httponly=True, samesite="strict", path="/")
        return answer

    def _knows(self, headers: Headers) -> bool:
        for line in headers.getlist("cookie"):
            try:
                held = SimpleCookie(line).get(self.cookie)
            except CookieError:
                continue
            if held is not None and hmac.compare_digest(held.value.encode("utf-8", "replace"), self._session.encode()):
                return True
        return False

    async def _answered(self, answer: Response, scope: Scope, receive: Receive, send: Send) -> None:
        await answer(scope, receive, _with_headers(send))


class _TooLong(Exception):
    pass


class _Limited:
    """`receive` that ends where a body grows too long, whatever its header said."""

    def __init__(self, receive: Receive, most: int) -> None:
        self._receive, self._left = receive, most
        self.begun = False

    async def __call__(self) -> Message:
        message = await self._receive()
        if message["type"] == "http.request":
            self._left -= len(message.get("body", b""))
            if self._left < 0:
                self.begun = True
                raise _TooLong
        return message


def _with_headers(send: Send) -> Callable[[Message], Any]:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers.setdefault(name, value)
        await send(message)

    return sent
