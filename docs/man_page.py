"""Writes docs/pullbook.1, the manual page, from the program itself: `python docs/man_page.py`."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import typer.main

from analysis.cli.main import app

PAGE = Path(__file__).with_name("pullbook.1")
ABOUT = """\
pullbook records test drives of a home-built car and says what each change to the car really did.
Two cables go in: a GPS receiver and a wideband mixture controller.
Timed runs, a mixture map and verdicts come out."""
EXITS = (("0", "Done."), ("1", "The answer is no, or the data cannot say."), ("2", "The input is wrong."))


def page() -> str:
    """The whole page in the man macros of troff."""
    return "\n".join(_lines()) + "\n"


def _lines() -> Iterator[str]:
    stem: Any = typer.main.get_command(app)
    yield r".\" Written by docs/man_page.py from the program. Do not edit."
    yield ".TH PULLBOOK 1"
    yield from (".SH NAME", _text("pullbook - record test drives and compare changes to a car"))
    yield from (".SH SYNOPSIS", r".B pullbook", _text("VERB [ARGUMENTS] [OPTIONS]"))
    yield from (".SH DESCRIPTION", *map(_text, ABOUT.splitlines()))
    yield ".SH OPTIONS"
    for option in stem.params:
        yield from _parameter(option)
    yield ".SH VERBS"
    for name, verb in stem.commands.items():
        yield from _verb(name, verb)
    yield ".SH EXIT STATUS"
    for code, meaning in EXITS:
        yield from (".TP", f".B {code}", _text(meaning))
    yield from (".SH ENVIRONMENT", ".TP", ".B PULLBOOK_STORE", _text("The folder that holds the drives."))
    yield from (".SH SHELL COMPLETION", _text(stem.epilog))


def _verb(name: str, verb: Any) -> Iterator[str]:
    arguments = [_placeholder(each) for each in verb.params if each.param_type_name == "argument"]
    yield f".SS {_text(' '.join(['pullbook', name, *arguments]))}"
    for number, paragraph in enumerate(verb.help.split("\n\n")):
        if number:
            yield ".PP"
        yield _text(" ".join(paragraph.split()))
    yield from (".PP", _text(verb.epilog))
    for parameter in verb.params:
        yield from _parameter(parameter)


def _parameter(parameter: Any) -> Iterator[str]:
    if parameter.param_type_name == "argument":
        called = _placeholder(parameter)
    else:
        called = ", ".join(parameter.opts)
        if not parameter.is_flag:
            called += f" {_placeholder(parameter)}"
    if getattr(parameter, "help", None):
        yield from (".TP", f".B {_text(called)}", _text(" ".join(parameter.help.split())))


def _placeholder(parameter: Any) -> str:
    if parameter.metavar:
        return str(parameter.metavar)
    if parameter.param_type_name != "argument":
        return "VALUE"
    return str(parameter.name.upper()) if parameter.required else f"[{parameter.name.upper()}]"


def _text(text: str) -> str:
    """Text as troff takes it: nothing in it is a macro or an escape."""
    plain = text.replace("\\", r"\e").replace("-", r"\-")
    return rf"\&{plain}" if plain.startswith((".", "'")) else plain


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
    print(PAGE)
