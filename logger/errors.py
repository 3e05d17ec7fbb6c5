"""What goes wrong, and what the caller can do about it. The command line alone prints these."""

from __future__ import annotations


class InputError(ValueError):
    """What the owner gave cannot be used; the message is one complete line. The command prints it and exits with 2."""


class NoAnswer(Exception):
    """The answer is no, or the data cannot say; the message is one complete line. The command exits with 1."""


class UnitError(InputError):
    """What was typed is not a quantity of the kind that was asked for."""
