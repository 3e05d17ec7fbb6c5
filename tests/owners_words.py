"""Every text of the program and of its files that an owner may see; `python tests/owners_words.py [PATH...]` lists it.

From Python all texts of two words or more, but docstrings; of a text with values in it the values stand as {names}.
From templates and scripts their text; from the explained configuration files their comments.
"""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parent.parent
ROOTS = ("analysis", "logger", "configs")


class Words(NamedTuple):
    """One text: its file, from the root of the tree, its line and itself."""

    path: Path
    line: int
    text: str


@cache
def of_tree(roots: tuple[str, ...] = ROOTS) -> tuple[Words, ...]:
    """All texts under `roots`, folders or files of this tree, in order of path and line."""
    return tuple(_of_tree(roots))


def _of_tree(roots: tuple[str, ...]) -> Iterator[Words]:
    for root in roots:
        top = ROOT / root
        for path in sorted(top.rglob("*")) if top.is_dir() else [top]:
            yield from _of_file(path)


@cache
def _of_file(path: Path) -> tuple[Words, ...]:
    reader = _READERS.get(path.suffix)
    if reader is None or not path.is_file():
        return ()
    told = reader(path.read_text(encoding="utf-8"))
    return tuple(Words(path.relative_to(ROOT), line, " ".join(text.split())) for line, text in told)


def _python(source: str) -> Iterator[tuple[int, str]]:
    nodes = list(ast.walk(ast.parse(source)))
    inner = {id(part) for node in nodes if isinstance(node, ast.JoinedStr) for part in ast.walk(node)}
    inner -= {id(node) for node in nodes if isinstance(node, ast.JoinedStr)}
    bare = {id(node.value) for node in nodes if isinstance(node, ast.Expr)}
    for node in nodes:
        if isinstance(node, ast.JoinedStr):
            text = "".join(
                str(part.value) if isinstance(part, ast.Constant) else "{" + ast.unparse(part.value) + "}"  # type: ignore[attr-defined]
                for part in node.values
            )
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in inner | bare:
            text = node.value
        else:
            continue
        if re.search(r"[A-Za-z]\s+\S", re.sub(r"\{[^}]*\}", "", text)):
            yield node.lineno, text


def _template(source: str) -> Iterator[tuple[int, str]]:
    for number, line in enumerate(source.splitlines(), 1):
        text = re.sub(r"<[^>]*>|\{[%#].*?[%#]\}", " ", line)
        if re.search(r"[A-Za-z]{2,}\s+[A-Za-z]{2,}", re.sub(r"\{\{.*?\}\}", "", text)):
            yield number, text


def _script(source: str) -> Iterator[tuple[int, str]]:
    for number, line in enumerate(source.splitlines(), 1):
        for text in re.findall(r'"([^"\n]*[A-Za-z]\s[^"\n]*)"|`([^`\n]*[A-Za-z]\s[^`\n]*)`', line):
            yield number, "".join(text)


def _comments(source: str) -> Iterator[tuple[int, str]]:
    for number, line in enumerate(source.splitlines(), 1):
        if "#" in line and re.search(r"[A-Za-z]{2,}\s+[A-Za-z]{2,}", line.split("#", 1)[1]):
            yield number, line.split("#", 1)[1]


_READERS = {".py": _python, ".j2": _template, ".js": _script, ".toml": _comments}


if __name__ == "__main__":
    for each in of_tree(tuple(sys.argv[1:]) or ROOTS):
        print(f"{each.path}:{each.line}: {each.text}")
