"""Files spoilt in every way that a corpus needs: bytes flipped, cut, doubled, and words that break readers."""

from __future__ import annotations

import random
import re
from pathlib import Path

WORDS = (
    b"nan", b"NaN", b"Infinity", b"-inf", b"1e999", b"-1", b"0", b"9" * 400, b"9" * 5000, b"true", b"null", b"[" * 3000,
    b"{" * 3000, b'{"a":' * 2000, b"]", b"}", b'"', b"\\", b"\0", b"\xff\xfe", b"\x1b]0;x\x07", b"\x1b[2J",
    "\u202e".encode(), "\u2028".encode(), b'"\\ud800"', b"2026-02-30", b"9999-12-31T00:00:00Z", b"0001-01-01T00:00:00Z",
    b"../../raw", b"\r\n", b"\n" * 500, b",", b"=", b"#", b"$", b"*", b"",
)  # fmt: skip
VALUE = re.compile(rb'(?<=[=:,\[ ])\s*("[^"\n]*"|-?\d[\d.eE+-]*|true|false|null)')


def mutated(data: bytes, rng: random.Random) -> bytes:
    """`data` with one to four mutations."""
    for _ in range(rng.randint(1, 4)):
        data = _once(data, rng)
    return data


def _once(data: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(data) + 1)
    much = 1 + int(rng.random() ** 4 * max(1, len(data)))
    match rng.randrange(9):
        case 0 if data:
            at = rng.randrange(len(data))
            return data[:at] + bytes([data[at] ^ 1 << rng.randrange(8)]) + data[at + 1 :]
        case 1:
            return data[:at]
        case 2:
            return data[:at] + data[at + much :]
        case 3:
            return data[:at] + data[at : at + much] + data[at:]
        case 4:
            return data[:at] + rng.choice(WORDS) + data[at:]
        case 5 if values := list(VALUE.finditer(data[:200_000])):
            found = rng.choice(values)
            return data[: found.start(1)] + rng.choice(WORDS) + data[found.end(1) :]
        case 6:
            lines = data.split(b"\n")
            rng.shuffle(lines)
            return b"\n".join(lines)
        case 7:
            return data[:at] + rng.randbytes(min(much, 5000)) + data[at + much :]
        case _ if len(values := list(VALUE.finditer(data[:200_000]))) > 1:
            one, two = rng.sample(values, 2)
            return data[: one.start(1)] + two[1] + data[one.end(1) :]
    return data[::-1] if rng.random() < 0.1 else data


def spoil(path: Path, rng: random.Random) -> None:
    """One file, or one of the folder's, mutated; now and then taken away, or replaced by a folder."""
    files = sorted(file for file in path.rglob("*") if file.is_file()) if path.is_dir() else [path]
    file = rng.choice(files) if files else path / "new"
    if not file.is_file():
        return
    data = file.read_bytes()
    match rng.randrange(20):
        case 0:
            file.unlink()
        case 1:
            file.unlink()
            file.mkdir()
        case _:
            file.write_bytes(mutated(data, rng))
