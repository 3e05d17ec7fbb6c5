"""The `pullbook` command: all verbs on one stem, and the one place where errors become lines.

Every verb lives in a module of its subject; `verbs` says in which, and keeps the help in the order of the owner's day.
This one turns what goes wrong into one line on standard error and an exit code: 0 done, 1 the answer is no or the data
cannot say, 2 the input is wrong.
"""

from __future__ import annotations

import itertools
import os
import sys

import typer

from analysis.cli.verbs import Stem
from logger.cli.printing import say, show_warnings
from logger.errors import InputError, NoAnswer
from logger.text import safe

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):  # numpy comes later; small matrices on many threads
    os.environ.setdefault(_name, "1")  # cost up to three times the processor time on a busy machine
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")  # to look for any, it reads what every package says

app = typer.Typer(
    name="pullbook",
    cls=Stem,
    help="Record test drives of a home-built car, and learn what each change to the car really did.",
    epilog="Shell completion: pullbook --install-completion, then open a new shell.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)


@app.callback(invoke_without_command=True)
def stem(
    ctx: typer.Context,
    version: bool = typer.Option(False, "--version", help="Print the version and stop."),
) -> None:
    """Record test drives of a home-built car, and learn what each change to the car really did."""
    show_warnings()
    if version:
        from importlib.metadata import version as installed

        print(f"pullbook {installed('pullbook')}")
        raise typer.Exit


def main() -> None:
    """Run the command line; what goes wrong ends as one line and an exit code."""
    try:
        words = itertools.takewhile(lambda word: word != "--", sys.argv[1:])  # what follows that is no option
        for option in (word.split("=")[0] for word in words if word.startswith("-")):
            if not option.isprintable():  # it would be shown as it is
                raise InputError(f"{safe(option)}: this option does not exist")
        app()
    except InputError as error:
        _complain(error)
        sys.exit(2)
    except NoAnswer as error:
        _complain(error)
        sys.exit(1)
    except BrokenPipeError:  # the reader of a pipe (head, less) left: nothing is wrong
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except OSError as error:
        _complain(f"{error.filename}: {error.strerror}" if error.filename else error)
        sys.exit(2)


def _complain(what: object) -> None:
    say(str(what))


if __name__ == "__main__":
    main()
