"""A bundle of wheels: the program's own is put together from what is installed; what goes wrong is one line and leaves
nothing behind. Downloading was tried by hand (docs/decisions.md): the suite asks no network."""

from __future__ import annotations

import base64
import contextlib
import csv
import hashlib
import io
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from analysis.cli.main import main
from analysis.sharing import wheels


def test_a_wheel_of_installed_files_is_one_that_the_installer_takes(tmp_path: Path) -> None:
    """pynmea2 stands for the program, which runs out of a clone here. The record is that of PEP 427."""
    path = wheels.own_wheel(tmp_path, "pynmea2")
    assert path.name.startswith("pynmea2-") and path.name.endswith("-none-any.whl")
    with zipfile.ZipFile(path) as wheel:
        assert wheel.testzip() is None
        record = next(name for name in wheel.namelist() if name.endswith(".dist-info/RECORD"))
        listed = {name: (digest, size) for name, digest, size in csv.reader(io.StringIO(wheel.read(record).decode()))}
        assert set(listed) == set(wheel.namelist())
        for name, (digest, size) in listed.items():
            data = wheel.read(name)
            if name != record:
                right = base64.urlsafe_b64encode(hashlib.sha256(data).digest()).rstrip(b"=").decode()
                assert (digest, size) == (f"sha256={right}", str(len(data)))
        assert not [name for name in wheel.namelist() if "direct_url" in name or "__pycache__" in name]
    tried = f"import sys; sys.path.insert(0, {str(path)!r}); import pynmea2; print(pynmea2.__file__)"
    told = subprocess.run(
        [sys.executable, "-c", tried],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert str(path) in told.stdout


def test_a_folder_that_is_not_empty_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "stick").mkdir()
    (tmp_path / "stick" / "holiday.txt").write_text("x")
    for name, words in (("stick", "not empty"), ("stick/holiday.txt", "not empty")):
        code, said = said_of(tmp_path / name)
        assert code == 2 and words in said
    assert [path.name for path in (tmp_path / "stick").iterdir()] == ["holiday.txt"]


def test_what_pip_cannot_get_is_one_line_and_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a network; the program's own wheel is another package's here, so that nothing is built."""
    monkeypatch.setenv("PIP_NO_INDEX", "1")
    monkeypatch.delenv("PIP_FIND_LINKS", raising=False)
    monkeypatch.setenv("PIP_CONFIG_FILE", "/dev/null")
    monkeypatch.setattr(wheels, "_own", lambda into, pip: into / "pullbook-0.1-py3-none-any.whl")
    code, said = said_of(tmp_path / "new" / "stick")
    assert code == 2 and "pip could not get all wheels" in said
    assert list((tmp_path / "new").iterdir()) == []
    code, said = said_of(tmp_path / "stick", "--extra", "test")
    assert code == 2 and "there is no extra 'test'" in said


def said_of(folder: Path, *options: str) -> tuple[int, str]:
    """Exit code and standard error of `pullbook bundle`, which has no store."""
    err = io.StringIO()
    with pytest.MonkeyPatch.context() as patch, contextlib.redirect_stderr(err):
        patch.setattr(sys, "argv", ["pullbook", "bundle", str(folder), *options])
        try:
            main()
        except SystemExit as stop:
            assert len(err.getvalue().strip().splitlines()) == 1
            return int(stop.code or 0), err.getvalue()
    return 0, err.getvalue()
