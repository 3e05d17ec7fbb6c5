"""What the desk's two servers have in common: the socket, the server on it, and the style sheets and scripts."""

from __future__ import annotations

import contextlib
import socket
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.responses import Response

from logger.errors import InputError

if TYPE_CHECKING:
    import uvicorn
    from starlette.requests import Request
    from starlette.types import ASGIApp

_REPORT, _HERE = Path(__file__).parents[1] / "report", Path(__file__).parent
_STATIC = {
    "page.css": (_REPORT, "text/css"), "page.js": (_REPORT, "text/javascript"),
    "desk.css": (_HERE, "text/css"), "desk.js": (_HERE, "text/javascript"),
}  # fmt: skip


def bound(host: str, port: int, option: str) -> socket.socket:
    """A socket that listens there. InputError, naming the option, where it cannot."""
    found = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        if sys.platform != "win32":  # there it would let another take the port from under us
            with contextlib.suppress(OSError):
                found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        found.bind((host, port))
        found.listen(64)
    except (OSError, OverflowError) as error:
        found.close()
        why = getattr(error, "strerror", None) or error
        raise InputError(f"{option} {port or host}: cannot listen there: {why}") from error
    return found


def server(app: ASGIApp, most: int = 100) -> uvicorn.Server:
    """What answers on such a socket, to so many at a time."""
    import uvicorn

    return uvicorn.Server(
        uvicorn.Config(
            app, log_config=None, access_log=False, lifespan="off", server_header=False,
            timeout_graceful_shutdown=1, limit_concurrency=most, ws="none", http="h11",
            h11_max_incomplete_event_size=64 << 10,
        )
    )  # fmt: skip


def static(request: Request) -> Response:
    """A style sheet or a script, by its name alone."""
    name = request.path_params["name"]
    if name not in _STATIC:
        return Response("Page not found.", 404, media_type="text/plain")
    folder, kind = _STATIC[name]
    return Response((folder / name).read_bytes(), media_type=kind)
