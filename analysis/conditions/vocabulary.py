"""The owner's words for parts: one that is nearly one of the season's is asked about, never taken silently.

    for question in doubts(parts, season): ...

A name is near another where they are one part written without its unit, or where few letters differ; a value that is a
word likewise. Two numbers are never near: a jet may be any size.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from difflib import SequenceMatcher

from analysis.conditions.setups import Parts, differences, same, shown, stem_of

_NEAR = 0.8
"""Names alike by this share of their letters (Ratcliff and Obershelp's measure) are asked about."""
_LETTERS = 4
"""Shorter words differ by too little to be mistyped for one another."""


def doubts(parts: Parts, season: Sequence[Parts]) -> list[str]:
    """What to ask about a setup's parts, each a question; nothing where all is as so far, or new altogether.

    Parameters
    ----------
    parts : mapping of str to bool, int, float or str
        The new setup's.
    season : sequence of mappings
        Those of the other setups of the car.
    """
    names = list(dict.fromkeys(name for each in season for name in each))
    said = []
    for name, value in parts.items():
        if name not in names:
            if (near := _nearest(name, [known for known in names if known not in parts])) is not None:
                said.append(f"{name} is a new part. Did you mean {near}?")
            continue
        if isinstance(value, str):
            words = [each[name] for each in season if isinstance(each.get(name), str)]
            known = list(dict.fromkeys(str(word) for word in words))
            if value.casefold() not in map(str.casefold, known) and (like := _like(value, known)) is not None:
                said.append(f"{name} was never {value!r} until now. Did you mean {like!r}?")
        kinds = {isinstance(each[name], str) for each in season if name in each}
        if kinds == {not isinstance(value, str)}:
            said.append(
                f"{name} = {shown(value)}: until now it was written differently. As a number, a word, or with a unit?"
            )
    return said


def near_name(name: str, season: Sequence[Parts]) -> str | None:
    """The part of the season that `name` is nearly; None for a part of the season, or for one new altogether."""
    names = list(dict.fromkeys(known for each in season for known in each))
    return None if name in names else _nearest(name, names)


def reused(name: str, parts: Parts, season: Iterable[tuple[str, Parts]]) -> str:
    """Why `name` cannot stand for these parts: it stood for others; "" where it can.

    Where it was driven with these parts too, that was asked about then.
    """
    named = [theirs for known, theirs in season if known.casefold() == name.casefold()]
    if any(same(theirs, parts) for theirs in named):
        return ""
    for theirs in named:
        differ = "; ".join(map(str, differences(theirs, parts)))
        return f"{name!r} was driven with other parts ({differ}). Give the changed setup a name of its own."
    return ""


def season_doubts(season: Sequence[Parts]) -> list[str]:
    """What to ask about parts that were driven already, setup by setup against those before it."""
    said: list[str] = []
    for k, parts in enumerate(season):
        said += [each for each in doubts(parts, season[:k]) if each not in said]
    return said


def _nearest(name: str, known: Sequence[str]) -> str | None:
    alike = [each for each in known if stem_of(each) == stem_of(name)]
    return alike[0] if alike else _like(name, known)


def _like(word: str, known: Sequence[str]) -> str | None:
    """The known word that is nearly this one; None without any."""
    plain = _plain(word)
    scored = [(SequenceMatcher(None, plain, _plain(each)).ratio(), each) for each in known]
    best = max(scored, default=(0.0, ""))
    return best[1] if best[0] >= _NEAR and len(plain) >= _LETTERS and not _numbered(plain, _plain(best[1])) else None


def _plain(word: str) -> str:
    return "".join(character for character in word.casefold() if character.isalnum())


def _numbered(a: str, b: str) -> bool:
    """Whether two words differ in figures alone: needle 5DP7 and 5DP8 are two needles."""
    return any(c.isdigit() for c in a + b) and _letters(a) == _letters(b) and a != b


def _letters(word: str) -> str:
    return "".join(character for character in word if not character.isdigit())
