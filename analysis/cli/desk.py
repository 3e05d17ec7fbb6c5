"""The verb `desk`."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from logger.cli.printing import StoreOption, say, tell, wrapped

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
    served = Served(Desk(store, [sys.executable, "-m", "analysis.cli.main"]), port, shared)
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
