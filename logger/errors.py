"""What goes wrong, and what the caller can do about it. The command line alone prints these.

    InputError(ValueError)      what was given cannot be used: mend it and ask again; the command exits with 2
        UnitError               a quantity that is none: give a number with a unit of the kind asked for
        ConfigError             a configuration file: mend the key that the line names
        CaptureError            a capture or a log: mend the line that is named, or give another file
        DriveError              a drive that is not there, or cannot be read or written: name another, or mend this one
    NoAnswer                    the answer is no, or the data cannot say: nothing to mend; the command exits with 1
        AlreadyRecording        another recorder has the store: let it be, or stop it first
    PortError                   a port cannot be had or was lost: wait and try again, as the recorder does

The message of each is one complete line for the owner. The analysis adds its own under `InputError`.
"""

from __future__ import annotations

from logger.text import safe

ANYWAY = "Use --anyway to accept it as written"
"""How the line ends that asks about what is nearly a known name or word."""


class _OneLine(Exception):
    """Its text is one line, whatever names and messages of others went into it."""

    def __str__(self) -> str:
        return safe(" ".join(super().__str__().split()))


class InputError(_OneLine, ValueError):
    """What the owner gave cannot be used: mend it and ask again. The command prints the line and exits with 2."""


class UnitError(InputError):
    """What was typed is no quantity of the kind asked for: give a number with a unit, as the line's examples have."""


class ConfigError(InputError):
    """A configuration file cannot be used: mend the file and the key that the line names."""


class CaptureError(InputError):
    """A file is no capture and no NMEA log, or a line of it is wrong: mend that line, or give another file."""


class DriveError(InputError):
    """A drive cannot be found, read or written: name another, or do what the line says (`pullbook recover`, ...).

    Whoever goes through many drives tells this one and goes on with the next.
    """


class NoAnswer(_OneLine):
    """The answer is no, or the data cannot say: there is nothing to mend. The command exits with 1."""


class AlreadyRecording(NoAnswer):
    """Another recorder works on this store, and the line names it: let it go on, or stop it first."""


class PortError(_OneLine):
    """A port cannot be had, or was lost, and the line says why: wait and try again, as the recorder does."""
