"""The shortcut that opens the desk: what stands in it, and that GLib starts by it what it should."""

from __future__ import annotations

import json
import os
import shutil
import stat
import subprocess
import sys
import time
from pathlib import Path
from types import SimpleNamespace

import pytest

from logger.cli import shortcut
from logger.errors import InputError

ODD = ["plain", "two words", 'a "quote"', "it's", "$HOME", "`date`", "back\\slash", "100%", "%f %u", "semi;colon", "äö",
       "a\\\\b", "#hash", "~", "*", "\\$", '\\"', "tab\there"]  # fmt: skip
linux = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="a desktop entry is Linux's")


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "Desktop").mkdir()
    monkeypatch.setenv("HOME", str(tmp_path))
    for name in ("XDG_DATA_HOME", "XDG_CONFIG_HOME"):
        monkeypatch.delenv(name, raising=False)
    return tmp_path


@linux
@pytest.mark.skipif(not shutil.which("gio"), reason="gio (GLib) is not installed")
def test_glib_starts_what_the_entry_says(tmp_path: Path) -> None:
    """GLib's own reader of the Desktop Entry Specification: each word arrives as it was."""
    out = tmp_path / "out.json"
    code = f"import json, sys; open({str(out)!r}, 'w').write(json.dumps(sys.argv[1:]))"
    path = tmp_path / "x.desktop"
    path.write_text(shortcut.desktop_entry([sys.executable, "-c", code, *ODD]), encoding="utf-8")
    done = subprocess.run(["gio", "launch", str(path)], capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 0, done.stderr
    ends = time.monotonic() + 20
    while not (out.exists() and out.read_text()) and time.monotonic() < ends:
        time.sleep(0.05)
    assert json.loads(out.read_text()) == ODD


@linux
def test_it_stands_among_the_programs_and_on_the_desktop(home: Path) -> None:
    store = home / "my store"
    lines = shortcut.install(store)
    menu, desktop = home / ".local/share/applications" / shortcut.NAME, home / "Desktop" / shortcut.NAME
    assert menu.read_text() == desktop.read_text() and len(lines) == 2
    assert stat.S_IMODE(desktop.stat().st_mode) == 0o700
    line = next(line for line in menu.read_text().split("\n") if line.startswith("Exec="))
    assert line.endswith(f'"desk" "--store" "{store}"') and "Terminal=false" in menu.read_text()


@linux
@pytest.mark.parametrize(
    ("said", "folder"),
    [('XDG_DESKTOP_DIR="$HOME/Schreibtisch"', "Schreibtisch"), ('XDG_DESKTOP_DIR="$HOME/a\\"b"', 'a"b'),
     ('XDG_DESKTOP_DIR="$HOME/"', None), ('XDG_DESKTOP_DIR="$HOME/none"', None), ("nothing", "Desktop")],
)  # fmt: skip
def test_the_desktop_is_where_the_owner_has_it(home: Path, said: str, folder: str | None) -> None:
    (home / ".config").mkdir()
    (home / ".config" / "user-dirs.dirs").write_text(f"# xdg\n{said}\n")
    if folder is not None:
        (home / folder).mkdir(exist_ok=True)
    lines = shortcut.install(None)
    assert len(lines) == (1 if folder is None else 2)
    assert folder is None or (home / folder / shortcut.NAME).exists()


def test_a_line_end_is_refused(home: Path) -> None:
    with pytest.raises(InputError, match="line break"):
        shortcut.install(Path("a\nb"))


def test_without_a_desktop_it_is_not_offered(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("XDG_CURRENT_DESKTOP", "DISPLAY", "WAYLAND_DISPLAY"):
        monkeypatch.delenv(name, raising=False)
    assert shortcut.possible() is (sys.platform in {"win32", "darwin"})


def test_macos_gets_a_command_file(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its text is run by this system's sh; the double click itself was tried on no Mac."""
    monkeypatch.setattr(shortcut, "sys", SimpleNamespace(platform="darwin"))
    out = home / "out"
    monkeypatch.setattr(shortcut, "command", lambda store: ["printf", "%s|", *ODD])
    shortcut.install(None)
    path = home / "Desktop" / "Pullbook.command"
    assert os.access(path, os.X_OK)
    if shutil.which("sh"):
        out.write_bytes(subprocess.run([str(path)], capture_output=True, check=True).stdout)
        assert out.read_text() == "".join(f"{word}|" for word in ODD)


def test_windows_is_asked_by_its_own_object(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is asked of PowerShell, and a refusal; it was run on no Windows."""
    asked: list[list[str]] = []

    def run(words: list[str], **_: object) -> subprocess.CompletedProcess[str]:
        asked.append(words)
        return subprocess.CompletedProcess(words, len(asked) - 1, "", "access is denied")

    monkeypatch.setattr(shortcut, "sys", SimpleNamespace(platform="win32"))
    monkeypatch.setattr(shortcut.subprocess, "run", run)
    monkeypatch.setattr(
        shortcut, "command", lambda store: ["C:\\it's\\pullbook.exe", "desk", "--store", "C:\\my store"]
    )
    assert "shortcut Pullbook" in shortcut.install(None)[0]
    script = asked[0][-1]
    assert "$s.TargetPath = 'C:\\it''s\\pullbook.exe'" in script and "'desk --store \"C:\\my store\"'" in script
    with pytest.raises(InputError, match="access is denied"):
        shortcut.install(None)
