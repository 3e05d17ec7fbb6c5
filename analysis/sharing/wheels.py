"""This program and all it needs as wheels in one folder, to be installed on a laptop without internet.

    make_bundle(Path("stick/pullbook"))        # asks the package index, by pip; whole or not at all

The program's own wheel is put together from the files that are installed (`own_wheel`), so the clone that it came from
need not be there any more; where it runs out of a clone (an editable installation) pip builds it. The other wheels
are those that pip chooses for this system and this Python: they fit a laptop of the same kind.
"""

from __future__ import annotations

import base64
import csv
import email
import hashlib
import importlib.metadata
import importlib.util
import io
import json
import platform
import shutil
import subprocess
import sys
import tempfile
import uuid
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit
from urllib.request import url2pathname

from logger.errors import InputError
from logger.store.disk import Disk, said
from logger.store.folders import make_store

NAME = "pullbook"
_NOT_OURS = {"INSTALLER", "REQUESTED", "RECORD", "direct_url.json", "uv_cache.json"}
"""Files of an installation that its installer added to those of the wheel (PyPA, recording installed projects)."""
_OURS = {"test", "dev"}
"""Extras for who works on the program."""
_FIRST_DAY = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True)
class Bundle:
    """What is in the folder."""

    folder: Path
    wheels: tuple[str, ...]
    bytes: int
    command: str
    """What installs it on the other laptop, in the folder, into a new environment called `pullbook-venv`."""


def make_bundle(
    folder: Path, extras: Sequence[str] = (), progress: Callable[[str], None] = lambda text: None
) -> Bundle:
    """Put this program's wheel, those of all it needs and a README.txt into a new folder.

    InputError where the folder exists and is not empty, where an extra is unknown, and where pip cannot get a wheel.
    """
    known = [name for name in importlib.metadata.metadata(NAME).get_all("Provides-Extra") or () if name not in _OURS]
    if unknown := [name for name in extras if name not in known]:
        raise InputError(f"--extra: there is no extra {unknown[0]!r}. Use {' or '.join(known)}.")
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InputError(f"{folder}: this folder exists already and is not empty. Name a new folder.")
    make_store(folder.absolute().parent)
    draft = folder.absolute().with_name(f".{folder.absolute().name}.{uuid.uuid4().hex[:8]}.new")
    try:
        draft.mkdir()
        with tempfile.TemporaryDirectory() as beside:
            pip = _pip(Path(beside))
            own = _own(Path(beside), pip)
            progress("asking the package index for what it needs")
            wanted = f"{own}[{','.join(extras)}]" if extras else str(own)
            _run([*pip, "wheel", "--quiet", "--wheel-dir", str(draft), wanted])
        bundle = _described(draft, folder, extras)
        if folder.is_dir():
            folder.rmdir()
        Disk().replace(draft, folder)
    except OSError as error:
        raise InputError(f"{folder}: cannot be written: {said(error)}") from error
    finally:
        shutil.rmtree(draft, ignore_errors=True)
    return bundle


def own_wheel(into: Path, name: str = NAME) -> Path:
    """The wheel of an installed package, of the files that its installation lists.

    InputError where one of them is missing, or lies where no wheel of Python files alone has one.
    """
    installed = importlib.metadata.distribution(name)
    info = f"{installed.name.replace('-', '_')}-{installed.version}"
    tags = email.message_from_string(installed.read_text("WHEEL") or "").get_all("Tag") or ["py3-none-any"]
    path = into / f"{info}-{_joined(tags)}.whl"
    listed = [["RECORD", "", ""]]
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as wheel:
        for file in sorted(installed.files or (), key=str):
            if "__pycache__" in file.parts or (".dist-info" in file.parts[0] and file.name in _NOT_OURS):
                continue
            if file.parts[0] == "..":
                if file.parent.name in ("bin", "Scripts"):  # the installer makes it again of entry_points.txt
                    continue
                raise InputError(f"{name}: its file {file} cannot be in a wheel of Python files")
            try:
                data = Path(str(file.locate())).read_bytes()
            except OSError as error:
                raise InputError(f"{file.locate()}: cannot be read: {said(error)}. Install {name} again.") from error
            wheel.writestr(zipfile.ZipInfo(file.as_posix(), _FIRST_DAY), data, zipfile.ZIP_DEFLATED)
            digest = base64.urlsafe_b64encode(hashlib.sha256(data).digest()).rstrip(b"=").decode()
            listed.append([file.as_posix(), f"sha256={digest}", str(len(data))])
        record = _record_of(installed)
        listed[0][0] = record
        text = io.StringIO(newline="")
        csv.writer(text, lineterminator="\n").writerows([*listed[1:], listed[0]])
        wheel.writestr(zipfile.ZipInfo(record, _FIRST_DAY), text.getvalue(), zipfile.ZIP_DEFLATED)
    return path


def _record_of(installed: importlib.metadata.Distribution) -> str:
    return next(file.as_posix() for file in installed.files or () if file.name == "RECORD")


def _joined(tags: Sequence[str]) -> str:
    """Tags py2-none-any and py3-none-any as they stand in a file's name: py2.py3-none-any (PEP 425)."""
    columns = zip(*(tag.split("-") for tag in tags), strict=True)
    return "-".join(".".join(dict.fromkeys(column)) for column in columns)


def _own(into: Path, pip: Sequence[str]) -> Path:
    """This program's wheel: of its installed files, or where it runs out of a clone, of the clone."""
    told = json.loads(importlib.metadata.distribution(NAME).read_text("direct_url.json") or "{}")
    if not told.get("dir_info", {}).get("editable"):
        return own_wheel(into)
    clone = url2pathname(urlsplit(told["url"]).path)
    _run([*pip, "wheel", "--quiet", "--no-deps", "--wheel-dir", str(into), clone])
    return next(into.glob(f"{NAME}-*.whl"))


def _pip(beside: Path) -> list[str]:
    """The pip of this Python; where it has none (uv makes such), that of an environment made for the purpose."""
    if importlib.util.find_spec("pip") is not None:
        return [sys.executable, "-m", "pip", "--disable-pip-version-check"]
    _run([sys.executable, "-m", "venv", str(beside / "pip")])
    folder = "Scripts" if sys.platform == "win32" else "bin"
    return [str(beside / "pip" / folder / "python"), "-m", "pip", "--disable-pip-version-check"]


def _run(command: Sequence[str]) -> None:
    """Run pip; InputError with the last line that tells what is wrong."""
    done = subprocess.run(command, capture_output=True, text=True, errors="replace", check=False)
    if done.returncode:
        lines = [line.strip() for line in (done.stderr + done.stdout).splitlines() if line.strip()]
        wrong = [line for line in lines if line.startswith("ERROR")] or lines or [f"exit code {done.returncode}"]
        raise InputError(f"pip could not get all wheels: {wrong[-1].removeprefix('ERROR: ')}. Is there internet here?")


def _described(draft: Path, folder: Path, extras: Sequence[str]) -> Bundle:
    wheels = tuple(sorted(path.name for path in draft.glob("*.whl")))
    wanted = f"{NAME}[{','.join(extras)}]" if extras else NAME
    python = f"{sys.version_info.major}.{sys.version_info.minor}"
    windows = sys.platform == "win32"
    venv = f"py -{python}" if windows else "python3"
    scripts = "pullbook-venv\\Scripts\\" if windows else "pullbook-venv/bin/"
    quoted = f'"{wanted}"' if extras else wanted
    command = f"{venv} -m venv pullbook-venv && {scripts}python -m pip install --no-index --find-links . {quoted}"
    system = f"{platform.system()} on {platform.machine()}"
    version = importlib.metadata.version(NAME)
    text = f"""\
pullbook {version}, with all it needs, for {system} and Python {python}.

On the laptop without internet, open a terminal in this folder or in a copy of it.
Run this one command. It makes the program's environment beside the wheels:

  {command}

Then:

  {scripts}pullbook demo

Another system or another Python needs its own bundle. Make it with
`pullbook bundle FOLDER` on a laptop of that kind with internet.
"""
    (draft / "README.txt").write_text(text, encoding="utf-8", newline="\r\n")
    return Bundle(folder, wheels, sum(path.stat().st_size for path in draft.iterdir()), command)
