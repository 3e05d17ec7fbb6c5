"""Recording from login on: what each system is told, so that nobody has to write its files by hand.

configs/AUTOSTART.md says the same in words. Only Linux with systemd was at hand to try it on.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

from logger.config import examples
from logger.errors import InputError
from logger.store.disk import put_text

_PLIST = "Library/LaunchAgents/local.pullbook.plist"


def possible() -> str:
    """By what this system starts programs at login; "" where none is known here."""
    if sys.platform == "win32":
        return "Task Scheduler"
    if sys.platform == "darwin":
        return "launchd"
    return "systemd" if shutil.which("systemctl") else ""


def program() -> list[str]:
    """The words that start this program again."""
    program = Path(sys.argv[0])
    own = program.stem == "pullbook" and program.is_file()
    return [str(program.resolve())] if own else [sys.executable, "-m", "analysis.cli.main"]


def command(store: Path | None) -> list[str]:
    """The words that record without a terminal, on `store` where it is not the platform's own."""
    return [*program(), "record", "--plain", *(["--store", str(store.resolve())] if store is not None else [])]


def install(store: Path | None) -> list[str]:
    """Tell the system to record from the next login on; lines that say what was done. InputError where it refuses."""
    match possible():
        case "systemd":
            return _systemd(command(store))
        case "launchd":
            return _launchd(command(store))
        case "Task Scheduler":
            return _scheduler(command(store))
    raise InputError("pullbook cannot set up a start at login on this system. configs/AUTOSTART.md has the steps")


def _systemd(words: list[str]) -> list[str]:
    folder = Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config") / "systemd" / "user"
    unit, path = examples.text("pullbook.service"), folder / "pullbook.service"
    line = next(each for each in unit.split("\n") if each.startswith("ExecStart="))
    put_text(path, unit.replace(line, f"ExecStart={' '.join(map(_for_systemd, words))}"))
    done = [f"Wrote {path}."]
    for arguments in (["daemon-reload"], ["enable", "pullbook"]):
        ended = subprocess.run(["systemctl", "--user", *arguments], capture_output=True, text=True, check=False)
        if ended.returncode:
            why = " ".join(ended.stderr.split())[:200]
            return [*done, f"systemctl refused it ({why}). Try `systemctl --user enable --now pullbook` yourself."]
    return [*done, "It records from your next login on. `systemctl --user disable pullbook` turns that off."]


def _for_systemd(word: str) -> str:
    """A word of ExecStart: quoted where it holds a blank, with % and $ taken as they are (systemd.service(5))."""
    plain = word.replace("\\", "\\\\").replace("%", "%%").replace("$", "$$").replace('"', '\\"')
    return f'"{plain}"' if any(letter.isspace() for letter in plain) or '"' in word else plain


def _launchd(words: list[str]) -> list[str]:
    import plistlib

    log = str(Path.home() / "Library/Logs/pullbook.log")
    path = Path.home() / _PLIST
    job = {
        "Label": "local.pullbook",
        "ProgramArguments": words,
        "RunAtLoad": True,
        "KeepAlive": {"SuccessfulExit": False},
        "ThrottleInterval": 10,
        "ExitTimeOut": 15,
        "ProcessType": "Interactive",
        "StandardOutPath": log,
        "StandardErrorPath": log,
    }
    put_text(path, plistlib.dumps(job).decode())
    return [f"Wrote {path}.", "It records from your next login on. Delete this file to turn that off."]


def _scheduler(words: list[str]) -> list[str]:
    run = subprocess.list2cmdline(words)
    task = ["schtasks", "/Create", "/F", "/TN", "Pullbook", "/SC", "ONLOGON", "/TR", run]
    ended = subprocess.run(task, capture_output=True, text=True, check=False)
    if ended.returncode:
        raise InputError(f"schtasks refused it: {' '.join(ended.stderr.split())[:200]}")
    return [
        "The task Pullbook records from your next login on.",
        "In Task Scheduler, clear the two boxes about AC power under Conditions. Otherwise it stops on battery.",
    ]
