"""What owners read keeps to docs/voice.md: the odd forms it names stay out, and no sentence is longer than 25 words."""

from __future__ import annotations

import re

import pytest
from owners_words import of_tree

ODD = {
    r"foret[eo]l": "predict",
    r"would have been, 8 times": "the smallest change this could have shown",
    r"\bmind\b": "note",
    r"\bit counts\b": "counted",
    r"(?<!there )\bis no (?!longer|more|less|better|worse|later|earlier|greater|smaller)[a-z]": "is not a ...",
    r"\bfellows\b": "the other runs",
    r"nothing goes": "say what is deleted",
    r"\bways? driven\b|\bdriven ways?\b": "direction",
    r"\bWay m\b|\bway \[m\]": "distance",
    r"\bput right\b|\bputs right\b": "correct",
    r"\btangled?\b": "always changed together",
    r"\bfor want of\b": "because there is no",
    r"\bwhatever\b|\bwhosoever\b|\bunheeded\b|\bhitherto\b|\bthereof\b": "a plainer word",
    r"\bas ever\b": "as before",
    r"\bbegun\b": "started",
    r"\bis another \w+ than\b": "is not the same",
    r"\bwould tell\b|\b(be|is|are|was|were|not) told\b": "known, shown, measured",
    r"\bexpected one such as\b": "write it as ...",
    r"\bthere is no such\b": "no such ... ; name it first",
    r"\bto be seen\b": "seen, shown",
    r"\b(?:takes?|taken) away\b|\bputs? away\b": "remove, hide",
    r"\bas (?:is )?usual\b": "by default, usually",
    r"\b(?:hold|holds|held|holding) (?:\w+ ){0,3}against\b": "compared with",
    r"\bfor granted\b": "assumed",
    r"\bas (?:it stands|they stand)\b": "as it is",
    r"\bmay be left\b": "you can leave it",
    r"\bgive or take\b": "±",
    r"\bat work\b": "running",
    r"\banew\b(?!})": "again",
    r"\bis none\b": "is not a ...",
    r"\bpass(es|ed)? (it )?over\b": "skip",
    r"\bby itself\b": "on its own",
    r"\bno sense\b": "unreadable, cannot be right",
    r"\bsay `?--": "use --...",
    r"\bnot a byte\b": "nothing",
    r"\bwent one way\b|\bone way only\b": "in one direction",
    r"\brepeat it\b": "may be repeated",
    r"\bis no part so far\b|\bso far: is it\b": "is a new part. Did you mean ...?",
}


@pytest.mark.parametrize("odd", ODD)
def test_odd_forms_stay_out(odd: str) -> None:
    found = [f"{each.path}:{each.line}: {each.text}" for each in of_tree() if re.search(odd, each.text, re.IGNORECASE)]
    assert not found, f"docs/voice.md: write: {ODD[odd]}\n" + "\n".join(found)


def test_no_sentence_is_longer_than_25_words() -> None:
    def longest(text: str) -> int:
        bare = re.sub(r"\{\{.*?\}\}|\{[^{}]*\}", "X", text)
        return max(
            len(re.findall(r"[A-Za-z]{2,}", sentence)) for sentence in re.split(r"(?<=[.?!])['\")]*(?:\s|$)", bare)
        )

    found = [
        f"{each.path}:{each.line}: {longest(each.text)} words: {each.text}"
        for each in of_tree(("analysis", "logger"))
        if longest(each.text) > 25 and each.path.suffix == ".py"
    ]
    assert not found, "\n".join(found)


def test_the_list_misses_no_kind_of_text(tmp_path_factory: pytest.TempPathFactory) -> None:
    paths = {each.path.as_posix() for each in of_tree()}
    assert any(path.startswith("analysis/cli/") for path in paths)
    assert any(path.startswith("logger/record/") for path in paths)
    assert any(path.endswith(".html.j2") for path in paths)
    assert any(path.endswith(".js") for path in paths)
    assert any(path.startswith("configs/") for path in paths)
