"""The desk as a program: its pages behind the gate, and the server that answers on this machine alone.

desk = Desk(store, command=[sys.executable, "-m", "analysis.cli.main"])
served = Served(desk, port=0)
served.address           # http://127.0.0.1:PORT/open/TOKEN
served.run()             # until stopped
"""

from __future__ import annotations

import asyncio
import secrets
import shlex
import threading
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from analysis.desk.ears import Ears
from analysis.desk.fields import UPLOADS
from analysis.desk.gate import Gate
from analysis.desk.listening import bound, server, static
from analysis.desk.parts import Links, Part, View
from analysis.desk.verbs import AllAtWork, Verb
from analysis.desk.views import rendered
from analysis.desk.work import PATIENCE_S, Asked, Work
from analysis.report.page import Page
from logger.errors import InputError, NoAnswer, PortError

if TYPE_CHECKING:
    from analysis.desk.sharing import Shared
    from analysis.store import DriveStore

LOOPBACK = "127.0.0.1"
_MOST_SAID = 200

Handler = Callable[["Desk", Request], Awaitable[Response | View] | Response | View]


class Desk:
    """A store and what is being worked out of it; what the pages are made from.

    `command` starts this program: the recorder, and `verbs`, which have a form each, are processes of their own.
    """

    def __init__(self, store: Path, command: Sequence[str], verbs: Sequence[Verb] = ()) -> None:
        self.store, self.command = store, tuple(command)
        self.verbs = {verb.name: verb for verb in verbs}
        self.at_work = AllAtWork(store, command)
        self.work = Work(store)
        self.writing = threading.Lock()
        """Held while something is written by what it was when it was shown."""
        self._said: OrderedDict[str, tuple[str, str]] = OrderedDict()
        self.ears = Ears()
        self.end: Callable[[], None] = lambda: None
        """Ends the desk; a recording goes on."""
        self.shared_at = ""
        """Where the page for the local network is, with its token; "" where there is none."""

    def opened(self, progress: Callable[[str], None] = lambda text: None) -> DriveStore:
        """The store as it is now."""
        from analysis.store import DriveStore

        return DriveStore(self.store, progress=progress)

    def ask(
        self, what: Any, make: Callable[[DriveStore, Callable[[str], None]], Any], patience_s: float = PATIENCE_S,
        last: str = "",
    ) -> Asked:  # fmt: skip
        """What `make(opened store, progress)` gives; see `Work.ask`. What is wrong with other drives is left out."""

        def made(progress: Callable[[str], None]) -> Any:
            return make(self.opened(progress), progress)

        return self.work.ask(what, made, patience_s, last)

    def say(self, text: str, at: str = "") -> str:
        """Keep a sentence for the page that follows, for its section `at`; gives the word that its address carries."""
        word = secrets.token_urlsafe(8)
        self._said[word] = text, at
        while len(self._said) > _MOST_SAID:
            self._said.popitem(last=False)
        return word

    def said(self, request: Request) -> str:
        """What was kept for this page, once."""
        return self.told(request)[0]

    def told(self, request: Request, *, keep: bool = False) -> tuple[str, str]:
        """What was kept for this page and for which section of it, once; `keep`: it will be asked for again."""
        word = request.query_params.get("said", "")
        return self._said.get(word, ("", "")) if keep else self._said.pop(word, ("", ""))

    def to(self, address: str, said: str = "", at: str = "") -> Response:
        """Go to a page of the desk, which then says what was done, in its section `at`."""
        if said:
            address += f"{'&' if '?' in address else '?'}said={self.say(said, at)}"
        return RedirectResponse(address, 303)

    def close(self) -> None:
        self.work.close()
        self.at_work.close()

    def options_at(self, command: str) -> str:
        """Where a page's command is with all its options; "" where it has none."""
        from analysis.desk.pages.commands import at_command

        try:
            words = shlex.split(command)
        except ValueError:
            return ""
        return "/commands" if words[1:] == ["--help"] else at_command(self.verbs, words[1:])


# --- pages --------------------------------------------------------------------------------------------------------


def failed(error: Exception, tab: str = "") -> View:
    """The page of what cannot be: one line, as the terminal has it."""
    status = 404 if isinstance(error, NoAnswer) else 422
    return View(Page("This cannot be shown", "", ()), tab, wrong=str(error), status=status)


def answered(desk: Desk, handler: Handler, tab: str) -> Callable[[Request], Awaitable[Response]]:
    """A handler as the server calls it: views become pages, the program's own errors lines on a page."""

    async def endpoint(request: Request) -> Response:
        try:
            if asyncio.iscoroutinefunction(handler):
                made = await handler(desk, request)
            else:
                made = await run_in_threadpool(handler, desk, request)
        except (InputError, NoAnswer, PortError) as error:
            made = failed(error, tab)
        except OSError as error:
            made = failed(InputError(f"{error.filename}: {error.strerror}" if error.filename else str(error)), tab)
        if isinstance(made, View):
            said, at = desk.told(request, keep=made.again_s > 0)
            to = "" if request.url.path.startswith("/commands") else desk.options_at(made.command)
            made = replace(made, said=said or made.said, said_at=at, options_at=to)
            return HTMLResponse(rendered(made), made.status)
        assert isinstance(made, Response)
        return made

    return endpoint


def _too_large(path: str) -> Response:
    said = "Pictures of more than 64 MB in all are not taken. Nothing was kept: send fewer at a time, or smaller ones."
    back = Part("back", "Back", [Links([(path.rpartition("/")[0], "The drive as it is now", "")])])
    view = View(Page("That is too large", "", ()), "drives", parts=[back], wrong=said, status=413)
    return HTMLResponse(rendered(view), 413)


async def _missing(request: Request, _: Exception) -> Response:
    view = View(Page("Page not found", "", ()), "", wrong="There is no page at this address.", status=404)
    return HTMLResponse(rendered(view), 404)


def application(desk: Desk) -> Starlette:
    """All pages of the desk, without the gate."""
    from analysis.desk import pages

    routes = [
        Route(path, answered(desk, handler, tab), methods=[method]) for method, path, tab, handler in pages.routes()
    ]
    routes.append(Route("/static/{name}", static))
    return Starlette(routes=routes, exception_handlers={404: _missing, 405: _missing})


# --- the server ---------------------------------------------------------------------------------------------------


class Served:
    """The desk on a port of this machine; port 0 takes a free one. InputError where the port is taken.

    `shared` is the page for the local network, which begins and ends with it.
    """

    def __init__(self, desk: Desk, port: int = 0, shared: Shared | None = None) -> None:
        self.desk, self.token = desk, secrets.token_urlsafe(24)
        self._shared = shared
        self._socket = bound(LOOPBACK, port, "--port")
        self.port = self._socket.getsockname()[1]
        names = [f"{LOOPBACK}:{self.port}", f"localhost:{self.port}"]
        self._server = server(Gate(application(desk), names, self.token, home="/now", uploads=UPLOADS,
                                   too_large=_too_large))  # fmt: skip
        desk.end = self.stop

    @property
    def address(self) -> str:
        """Where the owner's browser begins: the token is in it."""
        return f"http://{LOOPBACK}:{self.port}/open/{self.token}"

    def run(self) -> None:
        """Answer until `stop`, Ctrl-C or SIGTERM."""
        if self._shared is not None:
            self._shared.start()
            self.desk.shared_at = self._shared.address
        try:
            self._server.run([self._socket])
        finally:
            if self._shared is not None:
                self._shared.stop()
            self.desk.close()

    def stop(self) -> None:
        self._server.should_exit = True
