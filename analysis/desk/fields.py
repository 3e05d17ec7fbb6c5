"""What was typed into a form, read."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from logger.errors import InputError
from logger.store.disk import no_pipe

if TYPE_CHECKING:
    from starlette.requests import Request

_MOST_FIELDS = 500
LONGEST = 50_000
"""Characters of one entry."""


async def form_of(request: Request) -> dict[str, str]:
    """What a form sent, by name; several values of one name a line each. InputError where it is no form."""
    from starlette.exceptions import HTTPException

    try:
        async with request.form(max_fields=_MOST_FIELDS, max_files=20) as form:
            found: dict[str, list[str]] = {}
            for name, value in form.multi_items():
                if isinstance(value, str):
                    if len(value) > LONGEST:
                        raise InputError(f"{name}: {len(value)} characters are too many, at most {LONGEST} are taken")
                    found.setdefault(name, []).append(value.replace("\r\n", "\n"))
    except (HTTPException, ValueError) as error:
        raise InputError(f"the form could not be read: {getattr(error, 'detail', error)}") from error
    return {name: "\n".join(values) for name, values in found.items()}


def line_of(form: Mapping[str, str], name: str, called: str) -> str:
    """The words of an entry. InputError where there are none."""
    if text := form.get(name, "").strip():
        return text
    raise InputError(f"{called} is empty")


def given(form: Mapping[str, str], name: str) -> str | None:
    """The words of an entry; None where it was left empty."""
    return form.get(name, "").strip() or None


def version_of(path: Path) -> str:
    """A word for how a file is now, so that a form made of an older one can be told."""
    try:
        return hashlib.sha256(no_pipe(path).read_bytes()).hexdigest()[:16]
    except OSError:
        return "none"


def unchanged(path: Path, form: Mapping[str, str], what: str) -> None:
    """InputError where the file is no longer as it was when the form was made: nothing is then written over."""
    if form.get("version") != version_of(path):
        raise InputError(
            f"{what} was changed meanwhile, in another window or by a command. Nothing was written: "
            "here is how it stands now; make your change again."
        )
