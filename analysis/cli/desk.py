"""The verb `desk`."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from logger.cli.printing import StoreOption, say, tell

app = typer.Typer()


@app.command()
def desk(
    port: Annotated[int, typer.Option("--port", help="The port on this machine; by default a free one.", min=0,
                                      max=65535)] = 0,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Print the address and open nothing.")] = False,
    store: StoreOption = None,
) -> None:  # fmt: skip
    """Open the whole tool as pages in the browser of this machine; nobody else can reach them."""
    import webbrowser

    from analysis.desk.app import Desk, Served
    from logger.store.folders import make_store
    from logger.store.place import default_store

    store = store or default_store()
    make_store(store)
    served = Served(Desk(store, [sys.executable, "-m", "analysis.cli.main"]), port)
    tell(f"Desk: {served.address}")
    say("Ctrl-C ends the desk; a recording goes on without it")
    sys.stdout.flush()
    if not no_browser:
        webbrowser.open(served.address)
    served.run()
