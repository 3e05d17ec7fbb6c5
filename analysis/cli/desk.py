"""The verb `desk`."""

from __future__ import annotations

import inspect
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from types import NoneType
from typing import TYPE_CHECKING, Annotated, Any, Literal, get_args, get_origin, get_type_hints

import typer
from typer.models import CommandInfo, OptionInfo

from analysis.cli.verbs import VERBS, registered
from logger.cli.printing import StoreOption, say, tell, wrapped

if TYPE_CHECKING:
    from analysis.desk.verbs import Parameter, Verb

app = typer.Typer()


@app.command(epilog="Example: pullbook desk")
def desk(
    port: Annotated[int, typer.Option("--port", help="The port on this machine. By default a free one.", min=0,
                                      max=65535)] = 0,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Print the address only; open no browser.")] = False,
    share: Annotated[bool, typer.Option("--share", help="Show the figures of Now, and nothing else, to a phone on the "
                                        "local network, until the desk ends. It prints an address and a QR "
                                        "code.")] = False,
    share_notes: Annotated[bool, typer.Option("--share-notes", help="As --share, and take notes from the "
    "phone.")] = False,
    share_at: Annotated[str | None, typer.Option("--share-at", help="This machine's address on that network, if it "
                                                 "has more than one.", show_default=False)] = None,
    shortcut: Annotated[bool, typer.Option("--shortcut", help="Put a shortcut to the desk on the desktop, and "
    "end.")] = False,
    store: StoreOption = None,
) -> None:  # fmt: skip
    """Open the whole tool as pages in the browser of this machine. Nobody else can reach them, except with --share."""
    if shortcut:
        from logger.cli.shortcut import install

        for line in install(store):
            tell(wrapped(line, ""))
        return
    import webbrowser

    from analysis.desk.app import Desk, Served
    from logger.store.folders import make_store
    from logger.store.place import default_store

    store = store or default_store()
    make_store(store)
    shared = None
    if share or share_notes or share_at is not None:
        from analysis.desk import codes, sharing

        host = sharing.checked_address(share_at) if share_at is not None else sharing.own_address()
        shared = sharing.Shared(store, host, notes=share_notes)
    verbs = described([registered(name) for name in VERBS])
    served = Served(Desk(store, [sys.executable, "-m", "analysis.cli.main"], verbs), port, shared)
    tell(f"Desk: {served.address}")
    if shared is not None:
        what = "the figures of Now, and takes notes" if share_notes else "the figures of Now"
        say(f"For a phone on this network, which sees {what}: {shared.address}")
        tell(codes.code_as_text(shared.address))
    say("Ctrl-C ends the desk. A recording goes on without it.")
    sys.stdout.flush()
    if not no_browser:
        webbrowser.open(served.address)
    served.run()


# --- the verbs as data --------------------------------------------------------------------------------------------

_LEFT_OUT = {"store"}
"""The desk has one."""


def described(verbs: Sequence[CommandInfo]) -> tuple[Verb, ...]:
    """The verbs as the desk's forms show them, read off their functions."""
    return tuple(_described(verb) for verb in verbs if not verb.hidden and verb.callback is not None)


def _described(verb: CommandInfo) -> Verb:
    from analysis.desk.fields import quoted
    from analysis.desk.verbs import Verb

    does: Callable[..., Any] = verb.callback  # type: ignore[assignment]
    told, hints = inspect.signature(does).parameters, get_type_hints(does, include_extras=True)
    parameters = [
        _parameter(name, get_args(hints[name])[0], get_args(hints[name])[1], told[name].default)
        for name in told
        if name not in _LEFT_OUT and get_origin(hints[name]) is Annotated
    ]
    says = quoted(" ".join((inspect.getdoc(does) or "").partition("\n\n")[0].split()))
    example = (verb.epilog or "").removeprefix("Example: ")
    return Verb(verb.name or does.__name__, says, example, parameters, "store" in told)


def _parameter(name: str, kind: Any, info: Any, default: Any) -> Parameter:
    from analysis.desk.fields import quoted
    from analysis.desk.verbs import Parameter

    option = ""
    if isinstance(info, OptionInfo):
        written = [str(word) for word in (info.default, *(info.param_decls or ())) if str(word).startswith("--")]
        option = written[0] if written else f"--{name.strip('_').replace('_', '-')}"
    kinds = [each for each in get_args(kind) if each is not NoneType] if NoneType in get_args(kind) else [kind]
    plain, count, many = kinds[0], 1, get_origin(kinds[0]) is list
    if many:
        plain = get_args(plain)[0]
    elif get_origin(plain) is tuple:
        count, plain = len(get_args(plain)), get_args(plain)[0]
    choices = tuple(map(str, get_args(plain))) if get_origin(plain) is Literal else ()
    return Parameter(
        option.removeprefix("--").replace("-", "_") or name, option, quoted(" ".join((info.help or "").split())),
        "choice" if choices else _KINDS.get(plain, "text"), choices,
        "" if default in {None, inspect.Parameter.empty, False} else str(default), count, many,
        needed=default is inspect.Parameter.empty,
    )  # fmt: skip


_KINDS: dict[Any, Literal["flag", "path", "number"]] = {bool: "flag", Path: "path", int: "number", float: "number"}
