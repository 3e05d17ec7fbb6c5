"""What a double click opens the desk by: an entry of the desktop (Linux), a command file (macOS), a shortcut (Windows).

Only Linux was at hand to try it on.
"""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

from logger.cli import autostart
from logger.errors import InputError
from logger.store.disk import put_text

NAME = "pullbook-desk.desktop"


def possible() -> bool:
    """Whether this system has a desktop to put something on, as far as can be told."""
    if sys.platform in {"win32", "darwin"}:
        return True
    return any(os.environ.get(name) for name in ("XDG_CURRENT_DESKTOP", "DISPLAY", "WAYLAND_DISPLAY"))


def command(store: Path | None) -> list[str]:
    """The words that open the desk, on `store` where it is not the platform's own."""
    return [*autostart.program(), "desk", *(["--store", str(store.resolve())] if store is not None else [])]


def install(store: Path | None) -> list[str]:
    """Put it there; lines that say what was done. InputError where the system refuses."""
    words = command(store)
    if any("\n" in word or "\r" in word for word in words):
        raise InputError("a path with a line break in it cannot go into a shortcut")
    if sys.platform == "win32":
        return _windows(words)
    if sys.platform == "darwin":
        return _macos(words)
    return _linux(words)


def _linux(words: list[str]) -> list[str]:
    """In the menu of programs, and on the desktop itself where there is one (Desktop Entry Specification 1.5)."""
    data = Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share")
    text = desktop_entry(words)
    menu = data / "applications" / NAME
    put_text(menu, text)
    done = [f"Wrote {menu}. Pullbook is now among your programs."]
    if (desktop := _desktop_folder()) is not None:
        put_text(desktop / NAME, text)
        (desktop / NAME).chmod(0o700)
        done.append(f"Wrote {desktop / NAME}. Double-click it to open the desk. Some desktops ask first; allow it.")
    return done


def desktop_entry(words: list[str]) -> str:
    """The entry's text. Without a terminal: the desk is ended on its page Help."""
    return "\n".join([
        "[Desktop Entry]", "Type=Application", "Version=1.5", "Name=Pullbook",
        "Comment=Test drives of a home-built car", f"Exec={' '.join(map(for_exec, words))}", "Terminal=false",
        "Categories=Utility;", "",
    ])  # fmt: skip


def for_exec(word: str) -> str:
    """A word of Exec: quoted, with its own backslashes doubled once more as in every value of such a file."""
    quoted = re.sub(r'(["`$\\])', r"\\\1", word).replace("%", "%%")
    return f'"{quoted}"'.replace("\\", "\\\\")


def _desktop_folder() -> Path | None:
    """The folder whose files stand on the desktop; None where there is none."""
    config = Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config") / "user-dirs.dirs"
    try:
        found = re.search(
            r'^XDG_DESKTOP_DIR="(.*)"$', config.read_text(encoding="utf-8", errors="replace"), re.MULTILINE
        )
    except OSError:
        found = None
    named = found[1].replace("$HOME", str(Path.home()), 1) if found is not None else str(Path.home() / "Desktop")
    folder = Path(re.sub(r"\\(.)", r"\1", named))
    return folder if folder.is_dir() and folder != Path.home() else None


def _macos(words: list[str]) -> list[str]:
    path = Path.home() / "Desktop" / "Pullbook.command"
    put_text(
        path,
        f"#!/bin/sh\n# Opens the desk. Closing this window stops only the desk.\nexec {shlex.join(words)}\n",
    )
    path.chmod(0o700)
    return [f"Wrote {path}. Double-click it to open the desk. The first time, click it with ctrl held and choose Open."]


def _windows(words: list[str]) -> list[str]:
    """By the shell's own object for shortcuts, which PowerShell reaches."""
    program, *rest = words

    def said(text: str) -> str:
        return "'" + text.replace("'", "''") + "'"

    script = (
        "$d = [Environment]::GetFolderPath('Desktop'); $s = (New-Object -ComObject WScript.Shell)."
        "CreateShortcut((Join-Path $d 'Pullbook.lnk')); "
        f"$s.TargetPath = {said(program)}; $s.Arguments = {said(subprocess.list2cmdline(rest))}; "
        "$s.WindowStyle = 7; $s.Description = 'Test drives of a home-built car'; $s.Save()"
    )
    try:
        ended = subprocess.run(
            ["powershell", "-NoProfile", "-NonInteractive", "-Command", script], capture_output=True, text=True,
            check=False, timeout=60,
        )  # fmt: skip
    except (OSError, subprocess.TimeoutExpired) as error:
        raise InputError(f"the shortcut could not be made: {error}") from error
    if ended.returncode:
        raise InputError(f"the shortcut could not be made: {' '.join(ended.stderr.split())[:200]}")
    return ["The shortcut Pullbook is on the desktop. Double-click it to open the desk; close its window to stop it."]
