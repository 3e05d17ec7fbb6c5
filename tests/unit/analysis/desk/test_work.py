"""What takes long is worked out once for a store as it is, and again when what it depends on is otherwise."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from pathlib import Path

import pytest

from analysis.desk.work import Work

DRIVES = ("2026-05-02_091430Z", "2026-05-09_091430Z", "2026-05-16_091430Z")


@pytest.fixture
def store(tmp_path: Path) -> Path:
    for name in DRIVES:
        (tmp_path / name).mkdir()
        (tmp_path / name / "drive.json").write_text("{}")
    return tmp_path


@pytest.fixture
def work(store: Path) -> Iterator[Work]:
    made = Work(store)
    yield made
    made.close()


@pytest.mark.parametrize(
    ("changed", "again"),
    [
        ("", [False, False, False, False]),
        (f"{DRIVES[0]}/drive.json", [True, True, True, True]),  # it taught those after it
        (f"{DRIVES[1]}/drive.json", [False, True, True, True]),
        (f"{DRIVES[2]}/drive.json", [False, False, True, True]),
        ("2026-06-01_091430Z/drive.json", [False, False, False, True]),
        ("2026-04-01_091430Z/drive.json", [True, True, True, True]),
        ("car.toml", [True, True, True, True]),
        ("setups/long.toml", [True, True, True, True]),
        (".analysis/kept", [False, False, False, False]),
        (".recorder/figures", [False, False, False, False]),
    ],
)
def test_a_changed_file_makes_again_what_depends_on_it(
    store: Path, work: Work, changed: str, again: list[bool]
) -> None:
    """Of each drive by itself, and of the whole store."""
    count = itertools.count()

    def asked() -> list[int]:
        return [work.ask("page", lambda tell: next(count), 10, last=drive).value for drive in (*DRIVES, "")]

    before = asked()
    assert asked() == before
    if changed:
        (store / changed).parent.mkdir(exist_ok=True)
        (store / changed).write_text("other, and longer")
    assert [new != old for new, old in zip(asked(), before, strict=True)] == again


def test_what_failed_is_asked_again(work: Work) -> None:
    def fails(tell: object) -> None:
        raise ValueError

    first = work.ask("page", fails, 10)
    with pytest.raises(ValueError):
        _ = first.value
    assert work.ask("page", lambda tell: 3, 10).value == 3
