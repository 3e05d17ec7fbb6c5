"""Now: whether the recorder is at work, what each cable says, mixture and speed in large figures, the last run; notes.

The recorder is a process of its own. This page reads what it shows in the store, and asks it by files there.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from starlette.responses import HTMLResponse, RedirectResponse, Response, StreamingResponse

from analysis.desk import recording
from analysis.desk.fields import form_of, line_of
from analysis.desk.parts import Entry, Form, Part, View, typed
from analysis.report.page import Bullets, Page, Words
from logger.decode.clock import monotonic_ns
from logger.errors import InputError, NoAnswer
from logger.store import front, presence
from logger.units import MB_PER_GB, SPEED_UNITS

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.requests import Request

    from analysis.desk.app import Desk

STREAM_S = 0.05
"""How often it is looked whether the recorder shows something new [s]."""
_WATCH_S = 1.0
_STILL_S = 2.0
"""A page is told at least so often, so that it can tell silence from an end."""


def root(desk: Desk, request: Request) -> Response:
    return RedirectResponse("/now", 303)


def page(desk: Desk, request: Request) -> Response:
    """The page, whole as it stands: without script it can be loaded again."""
    from analysis.desk.views import rendered

    with contextlib.suppress(OSError):
        front.watch(desk.store)  # so that the page, loaded again without script, shows this moment's
    shown = shown_now(desk.store)
    view = View(
        Page("Now", "", (), footer=("Read these figures when parked, or let a passenger read them.",)), "now",
        typed("status"), parts=_parts(desk, shown["running"]), said=desk.said(request),
        options_at=desk.options_at(typed("status")),
    )  # fmt: skip
    return HTMLResponse(rendered(view, "now.html.j2", now=shown, stream="/now/stream", share=_share(desk)))


def _share(desk: Desk) -> tuple[str, str] | None:
    """The address of the page for the local network, and its code as a picture."""
    from analysis.desk.codes import code_as_picture

    return (desk.shared_at, code_as_picture(desk.shared_at)) if desk.shared_at else None


def _parts(desk: Desk, running: bool) -> list[Part]:
    from logger.record.panel import CAUTIONS

    if running:
        note = Form("note", "/now/note", [Entry("text", "Note", help="Saved with the time you send it.")], "Save note",
                    command="pullbook note '...'")  # fmt: skip
        mark = Form("mark", "/now/mark", [], "Mark this moment")
        stop = Form("stop", "/now/stop", [], "Stop recording", "The drive is closed and its runs are worked out.",
                    careful=True)  # fmt: skip
        return [Part("notes", "Note and mark", [note, mark]), Part("recorder", "Recorder", [stop])]
    start = Form("start", "/now/start", [], "Start recording", command=typed("record"),
                 words="It records drive after drive until you stop it, even with this page closed.")  # fmt: skip
    blocks: list[Any] = [start, Bullets([" ".join(line.split()) for line in _sentences(CAUTIONS)])]
    if said := recording.ended_with(desk.store):
        blocks.append(Words(f"The last message of the recorder started here: {said.splitlines()[-1]}"))
    return [Part("recorder", "Recorder", blocks)]


def _sentences(text: str) -> list[str]:
    return [f"{line}." for line in " ".join(text.split()).removesuffix(".").split(". ")]


# --- what it does -------------------------------------------------------------------------------------------------


async def note(desk: Desk, request: Request) -> Response:
    form = await form_of(request)
    return desk.to("/now", left(desk.store, line_of(form, "text", "the note")))


async def mark(desk: Desk, request: Request) -> Response:
    return desk.to("/now", left(desk.store, f"mark {datetime.now():%H:%M:%S}"))


def left(store: Path, text: str) -> str:
    """Leave a note for the recorder; says where it went. NoAnswer where none is at work, InputError where it can't."""
    if not presence.is_recording(store):
        raise NoAnswer("no recorder is running, so there is no drive for this note")
    presence.leave_note(store, text, monotonic_ns(), datetime.now(UTC).isoformat())
    current = (presence.read_state(store) or {}).get("drive")
    return f"Noted in {current}: {text}" if current else f"Saved for the next drive: {text}"


def start(desk: Desk, request: Request) -> Response:
    if not (desk.store / "recorder.toml").is_file():
        raise InputError("There is no recorder.toml yet. Set the recorder up under Car first.")
    recording.start(desk.store, desk.command)
    return desk.to("/now", "The recorder is starting.")


def stop(desk: Desk, request: Request) -> Response:
    recording.stop(desk.store)
    return desk.to("/now", "The recorder is stopping. It closes the drive first.")


# --- what is shown as it happens ----------------------------------------------------------------------------------


async def stream(desk: Desk, request: Request) -> Response:
    return StreamingResponse(events(desk.store), media_type="text/event-stream", headers={"cache-control": "no-store"})


async def events(store: Path, outside: bool = False) -> AsyncIterator[str]:
    """Server-sent events: what `shown_now` gives, whenever it is otherwise, and every two seconds."""
    before, looked, told = "", -_WATCH_S, -_STILL_S
    running, files = False, (0, 0)
    loop = asyncio.get_running_loop()
    while True:
        now = loop.time()
        if look := now - looked >= _WATCH_S:
            looked, running = now, presence.is_recording(store)
            with contextlib.suppress(OSError):  # a store that may only be read: the recorder's own second has to do
                front.watch(store)
        if look or front.changed(store) != files:
            files = front.changed(store)
            shown = json.dumps(shown_now(store, running, outside))
            if shown != before or now - told >= _STILL_S:
                before, told = shown, now
                yield f"data: {shown}\n\n"
        await asyncio.sleep(STREAM_S)


def shown_now(store: Path, running: bool | None = None, outside: bool = False) -> dict[str, Any]:
    """What the page shows, as text: state, figures, sources; also where what the recorder tells makes no sense.

    `outside`, for who is not the owner: no names of ports, files or drives.
    """
    running = presence.is_recording(store) if running is None else running
    told = front.read_live(store) if running else None
    try:
        return _said(running, told or {}, outside)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError):
        return _said(running, {}, outside)


def _said(running: bool, told: dict[str, Any], outside: bool) -> dict[str, Any]:
    from logger.record.told import stuck_said

    seen, figures = told.get("seen") or {}, told.get("figures") or {}
    stuck = stuck_said(told) if running else ""
    fresh = bool(told) and not stuck
    unit = str(seen.get("unit")) if seen.get("unit") in SPEED_UNITS else "mph"
    speed = (figures or told).get("speed_mps") if fresh else None
    name, _, mixture = str(seen.get("mixture") or "mixture --").rpartition(" ")
    if figures:
        value, digits = figures.get("mixture"), 2 if figures.get("mixture_channel") == "lambda" else 1
        mixture = "--" if value is None else f"{value:.{digits}f}"
    sources = [_source(each, seen.get("doubts") or (), outside) for each in told.get("sources", ()) if fresh]
    return {
        "running": running,
        "state": _state(running, told, outside),
        "mixture_name": name,
        "mixture": mixture if fresh else "--",
        "speed_name": unit,
        "speed": "--" if speed is None else f"{speed / SPEED_UNITS[unit]:.0f}",
        "alert": str(figures.get("alert", seen.get("alert")) or "") if fresh else "",
        "last_run": f"Last run: {seen['last_run']}" if seen.get("last_run") else "",
        "channels": str(seen.get("channels") or "") if fresh else "",
        "lost": stuck or "  ".join(line for line, well in sources if not well),
        "sources": [line for line, well in sources if well],
    }


def _state(running: bool, told: dict[str, Any], outside: bool) -> str:
    from logger.record.panel import clock_time

    if not running:
        return "Not recording"
    if not told:
        return "A recorder is running, but has nothing to show yet"
    said = str(told["state"]).capitalize()
    if outside:
        return f"{said}, {clock_time(told['recorded_s'])}" if told.get("drive") else said
    if told.get("drive"):
        said += f", {clock_time(told['recorded_s'])} of drive {told['drive']}"
    if told.get("trouble"):
        said += f". Trouble: {told['trouble']}"
    return f"{said}. {told['free_mb'] / MB_PER_GB:.1f} GB free"


def _source(source: dict[str, Any], doubts: Any, outside: bool) -> tuple[str, bool]:
    """What is to be said of a source, and whether it is well."""
    from logger.record.told import source_said

    (how, well), why = source_said(source, doubts), str(source["why"])
    if well:
        return f"{source['name']}: {source['lines_per_s']:.0f} lines a second", True
    return f"{source['name']}: {how}" + (f": {why}" if why and not outside else ""), False


ROUTES = [
    ("GET", "/", "now", root),
    ("GET", "/now", "now", page),
    ("GET", "/now/stream", "now", stream),
    ("POST", "/now/note", "now", note),
    ("POST", "/now/mark", "now", mark),
    ("POST", "/now/start", "now", start),
    ("POST", "/now/stop", "now", stop),
]
