"""One page for a phone on the local network: Now, to be looked at; notes too where the owner wants that.

A server, an address and a token of their own, for as long as the desk is open. It knows three pages and the figures;
drives, files, positions and the names of ports are not behind it.

    shared = Shared(desk, notes=False)
    shared.address            # http://192.168.1.7:41234/open/TOKEN
    shared.start(), shared.stop()
"""

from __future__ import annotations

import ipaddress
import secrets
import socket
import threading
from collections.abc import Awaitable, Callable
from typing import TYPE_CHECKING, Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route

from analysis.desk.fields import form_of
from analysis.desk.gate import Gate
from analysis.desk.listening import bound, server, static
from analysis.desk.pages import now
from analysis.desk.parts import Entry, Form, Part, View
from analysis.desk.views import rendered
from analysis.report.page import Page
from logger.errors import InputError, NoAnswer

if TYPE_CHECKING:
    from pathlib import Path

_NOTE = "/now/note"


def own_address() -> str:
    """This machine's address on the local network. InputError where it has none, or only one that all may reach.

    Nothing is sent: a socket for datagrams that is told a far end chooses the address it would send from.
    """
    for far in ("192.0.2.1", "10.255.255.255", "172.31.255.255", "192.168.255.255"):  # RFC 5737, RFC 1918
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as line:
            try:
                line.connect((far, 9))
            except OSError:
                continue
            found = ipaddress.IPv4Address(line.getsockname()[0])
        if not found.is_loopback and not found.is_unspecified:
            if found.is_global:
                raise InputError(f"--share: the whole internet may reach this machine's address, {found}. "
                                 "Name an address on your own network with --share-at.")  # fmt: skip
            return str(found)
    raise InputError("--share: this machine is not on a network. Join the phone's, or let it join this machine's.")


def checked_address(text: str) -> str:
    """An address that the owner names. InputError where it is no address of one machine."""
    try:
        found = ipaddress.IPv4Address(text.strip())
    except ValueError as error:
        raise InputError(f"--share-at {text!r}: this is not an address. Write it as 192.168.1.7.") from error
    if found.is_unspecified or found.is_multicast:
        raise InputError(f"--share-at {text}: this is not the address of one machine. Write it as 192.168.1.7.")
    return str(found)


class Shared:
    """The page on the local network, at `host`; InputError where it can't be listened there."""

    def __init__(self, store: Path, host: str, *, notes: bool = False) -> None:
        self.notes, self.token = notes, secrets.token_urlsafe(16)
        self._socket = bound(host, 0, "--share")
        self.host, self.port = host, self._socket.getsockname()[1]
        app = Gate(_application(store, notes), [f"{host}:{self.port}"], self.token, home="/now",
                   posts=lambda path: notes and path == _NOTE)  # fmt: skip
        self._server = server(app, most=40)
        self._thread = threading.Thread(target=self._server.run, args=([self._socket],), name="shared", daemon=True)

    @property
    def address(self) -> str:
        """What the phone opens: the token is in it."""
        return f"http://{self.host}:{self.port}/open/{self.token}"

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """Answer nobody any more."""
        self._server.should_exit = True
        if self._thread.is_alive():
            self._thread.join(3)
        self._socket.close()


# --- its pages ----------------------------------------------------------------------------------------------------


def _application(store: Path, notes: bool) -> Starlette:
    def page(request: Request) -> Response:
        shown = now.shown_now(store, outside=True)
        form = Form("note", _NOTE, [Entry("text", "Note", help="Saved with the time you send it.")], "Save note")
        parts = [Part("notes", "Note", [form])] if notes and shown["running"] else []
        said = "Noted." if request.query_params.get("noted") == "yes" else ""
        view = View(Page("Now", "", ()), "now", parts=parts, said=said)
        return HTMLResponse(rendered(view, "now.html.j2", tabs=(), now=shown, stream="/now/stream", share=None))

    async def stream(_: Request) -> Response:
        return StreamingResponse(now.events(store, outside=True), media_type="text/event-stream")

    async def note(request: Request) -> Response:
        text = (await form_of(request)).get("text", "").strip()
        if text:
            await run_in_threadpool(now.left, store, text)
        return RedirectResponse("/now?noted=yes" if text else "/now", 303)

    routes = [Route("/", _home), Route("/now", page), Route("/now/stream", stream), Route("/static/{name}", static)]
    if notes:
        routes.append(Route(_NOTE, _told(note), methods=["POST"]))
    return Starlette(routes=routes, exception_handlers={404: _missing, 405: _missing})


def _home(_: Request) -> Response:
    return RedirectResponse("/now", 303)


def _told(handler: Callable[[Request], Awaitable[Response]]) -> Callable[[Request], Awaitable[Response]]:
    """What cannot be, without the names of files that the owner would be told."""

    async def endpoint(request: Request) -> Response:
        try:
            return await handler(request)
        except (InputError, NoAnswer, OSError):
            return PlainTextResponse("The note was not saved. Is the recorder running?", 404)

    return endpoint


async def _missing(request: Request, _: Any) -> Response:
    return PlainTextResponse("Page not found.", 404)
