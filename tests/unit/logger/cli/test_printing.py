"""What every verb prints goes through here: one JSON object, tables of 80 columns, nothing that a terminal obeys."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from logger.cli.printing import WIDTH, console, print_json, say, table, tell

EVIL = "a\x1b]0;owned\x07b\x1b[31mred\u202egnp.exe\r"
OBEYED = ("\x1b", "\x07", "\u202e", "\r")


def test_json_is_one_object_with_null_for_what_is_no_number(capsys: pytest.CaptureFixture[str]) -> None:
    print_json(
        {
            "nan": math.nan, "infinite": -math.inf, "array": np.array([1.5, np.nan]), "count": np.int64(3),
            "when": datetime(2026, 5, 2, 9, 14, 30, tzinfo=UTC), "path": Path("a/b"), "pair": (1, 2), "evil": EVIL,
        }
    )  # fmt: skip
    out = capsys.readouterr().out
    assert not any(c in out for c in OBEYED)
    assert json.loads(out) == {
        "nan": None, "infinite": None, "array": [1.5, None], "count": 3, "when": "2026-05-02T09:14:30+00:00",
        "path": str(Path("a/b")), "pair": [1, 2], "evil": EVIL,
    }  # fmt: skip


@pytest.mark.parametrize("way", ["tell", "say", "console", "cell", "heading", "title"])
def test_no_way_of_printing_lets_text_command_the_terminal(way: str, capsys: pytest.CaptureFixture[str]) -> None:
    match way:
        case "tell":
            tell(EVIL)
        case "say":
            say(EVIL)
        case "console":
            console().print(f"{EVIL} is a setup", style="bold")
        case "cell":
            console().print(table(["name"], [[EVIL]]))
        case "heading":
            console().print(table([EVIL], [["1"]]))
        case _:
            console().print(table(["name"], [["1"]], title=EVIL))
    heard = capsys.readouterr()
    said = heard.out + heard.err
    assert not any(c in said for c in OBEYED)
    assert "\\x1b" in said  # it is still there to be read


def test_lines_stay_lines(capsys: pytest.CaptureFixture[str]) -> None:
    tell("first\nsecond")
    console().print("third\nfourth")
    assert capsys.readouterr().out.splitlines() == ["first", "second", "third", "fourth"]


def test_a_table_is_no_wider_than_80_columns_and_holds_all_words(capsys: pytest.CaptureFixture[str]) -> None:
    words = "a long reason that goes on and on until it has to be wrapped somewhere before the edge of the terminal"
    console().print(table(["run", "time", "why"], [["1", "15.37", words]], left=(0, 2)))
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= WIDTH
    assert " ".join(words.split()) in " ".join(" ".join(line.split()[2:] if n == 2 else line.split())
                                               for n, line in enumerate(lines) if n >= 2)  # fmt: skip


def test_markup_is_text(capsys: pytest.CaptureFixture[str]) -> None:
    console().print("[bold]a setup[/bold] :smile:")
    console().print(table(["[red]x[/red]"], [["[link=http://x]y[/link]"]]))
    out = capsys.readouterr().out
    for said in ("[bold]a setup[/bold] :smile:", "[red]x[/red]", "[link=http://x]y[/link]"):
        assert said in out
