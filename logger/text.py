"""Text from outside (names, notes, reasons, names of files): made harmless for a terminal, and fit for a file.

What an owner types, and what a card or a folder is called, may hold anything: characters that command a terminal,
that turn the direction of writing, halves of characters, and bytes that are no text at all.
"""

from __future__ import annotations


def safe(text: str) -> str:
    """`text` as one line that no terminal takes for commands.

    What is not printable by Unicode (control characters, those that turn the direction of writing, halves of a
    character, line ends) becomes a backslash and its number, as Python and the shells write it.
    """
    return text if text.isprintable() else "".join(c if c.isprintable() else _numbered(c) for c in text)


def safe_json(text: str) -> str:
    """JSON `text` with the same characters written as JSON writes them, `\\u001b`: it reads as before."""
    if all(line.isprintable() for line in text.split("\n")):
        return text
    import json

    return "".join(c if c.isprintable() or c == "\n" else json.dumps(c)[1:-1] for c in text)


def storable(text: str) -> str:
    """`text` as UTF-8 can hold it: halves of a character, and bytes of a file's name that are no text, become "?"."""
    return text.encode("utf-8", "replace").decode()


def _numbered(letter: str) -> str:
    if 0xDC80 <= ord(letter) <= 0xDCFF:  # a byte of a file's name that is no text (PEP 383)
        return f"\\x{ord(letter) - 0xDC00:02x}"
    return letter.encode("unicode_escape", "backslashreplace").decode("ascii")
