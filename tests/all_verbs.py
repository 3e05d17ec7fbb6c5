"""All verbs of the command, each with the function behind it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from analysis.cli.verbs import VERBS, registered

COMMANDS = [registered(name) for name in VERBS]
CALLBACKS: dict[str, Callable[..., Any]] = {name: registered(name).callback for name in VERBS}  # type: ignore[misc]
