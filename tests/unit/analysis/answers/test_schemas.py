"""docs/schema: up to date, every field described, and what each verb prints fits its schema (jsonschema)."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from all_verbs import CALLBACKS
from jsonschema import Draft202012Validator
from jsonschema.exceptions import ValidationError
from made_road import MadeDrive
from made_season import MadeSeason
from run_verb import run_verb

from analysis.answers import schemas
from analysis.answers.encoding import Answer, described, schema

VERBS: dict[str, list[list[str]]] = {
    "runs": [["runs", "{starts}"], ["runs", "{starts}", "--from", "30mph", "--to", "45mph", "--at", "60ft"],
             ["runs", "--all"]],
    "tag": [["tag", "{starts}", "1", "gear=2"], ["tag", "{starts}", "1", "gear=2", "--undo"]],
    "mixture": [["mixture", "{starts}"], ["mixture", "{starts}", "{sport}"]],
    "jets": [["jets", "{starts}"]],
    "fuel": [["fuel", "{loop}", "--used", "0.2L"], ["fuel"], ["fuel", "{loop}", "--forget"]],
    "coast": [["coast", "{coasts}"]],
    "power": [["power", "{starts}", "{sport}"]],
    "whatif": [["whatif", "{starts}", "--mass", "-20kg"]],
    "compare": [["compare", "{starts}", "{sport}:2-4"], ["compare", "{starts}", "{sport}:2-4", "--raw"],
                ["compare", "{starts}:1-2", "{sport}:2-3"]],
    "effects": [["effects"]],
    "plan": [["plan"]],
    "drives": [["drives"]],
    "season": [["season"]],
    "setup": [["setup"], ["setup", "--drive", "{sport}"]],
    "setups": [["setups"], ["setups", "baseline", "sport"]],
    "set": [["set", "snorkel=medium"]],
    "weather": [["weather", "{starts}"]],
    "captions": [["captions", "{starts}", "--sync", "run 2", "--at", "1:23.4", "--out", "{out}/clip"]],
    "export": [["export", "{starts}", "--out", "{out}/starts.csv"], ["export", "{starts}", "--out", "{out}/way.gpx"]],
    "report": [["report", "{starts}", "--out", "{out}/page.html"]],
    "photo": [["photo", "{starts}", "--words", "tan", "--run", "2"]],
    "pack": [["pack", "{starts}", "--out", "{out}/another.zip"]],
    "unpack": [["unpack", "{out}/pack.zip", "--as", "finch"]],
}  # fmt: skip
"""What is asked of each verb, so that it gives each of its answers."""
ELSEWHERE = {"analyse", "bundle"}
"""tests/unit/analysis/fleet; and what asks the package index."""


@pytest.fixture(scope="module")
def road(made_road: tuple[Path, dict[str, MadeDrive]], tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """A copy of the store that may be written to, and its drives."""
    place = tmp_path_factory.mktemp("schemas")
    store = place / "store"
    shutil.copytree(made_road[0], store)
    run_verb(store, "pack", made_road[1]["starts"].id, "--out", str(place / "pack.zip"))
    return {"store": str(store), "out": str(place), **{name: drive.id for name, drive in made_road[1].items()}}


def every_kind() -> dict[str, type[Answer]]:
    """All answers of the verbs, and those that they hold."""
    found: dict[str, type[Answer]] = {}

    def visit(kind: type[Answer]) -> None:
        found[kind.__name__] = kind
        for name in schema(kind).get("$defs", {}):
            held = next((each for each in _subclasses(Answer) if each.__name__ == name), None)
            if held is not None and name not in found:
                visit(held)

    for kinds in schemas.ANSWERS.values():
        for kind in kinds:
            visit(kind)
    return found


def _subclasses(kind: type[Answer]) -> list[type[Answer]]:
    return [each for direct in kind.__subclasses__() for each in (direct, *_subclasses(direct))]


def test_the_files_are_up_to_date() -> None:
    """`python -m analysis.answers.schemas` writes them anew."""
    assert {file.stem for file in schemas.FOLDER.glob("*")} == set(schemas.ANSWERS)
    for verb in schemas.ANSWERS:
        file = schemas.FOLDER / f"{verb}.json"
        assert file.read_text(encoding="utf-8") == schemas.schema_text(verb), f"{file}: run the module named above"


def test_writing_them_takes_away_those_that_are_no_more(tmp_path: Path) -> None:
    (tmp_path / "gone.json").write_text("{}", encoding="utf-8")
    schemas.main(tmp_path)
    assert {file.name for file in tmp_path.iterdir()} == {f"{verb}.json" for verb in schemas.ANSWERS}


def test_each_is_a_schema_in_which_every_field_is_described() -> None:
    """The 2020-12 metaschema, by jsonschema; and no field without a sentence."""
    for verb in schemas.ANSWERS:
        Draft202012Validator.check_schema(schemas.schema_of(verb))
    kinds = every_kind()
    assert len(kinds) > 40
    for name, kind in kinds.items():
        assert (kind.__doc__ or "").strip(), name
        words = described(kind)
        for field, about in kind.model_fields.items():
            assert words.get(field, "").rstrip().endswith((".", "]", ")")), f"{name}.{field}: {words.get(field)}"
            assert schema(kind)["properties"][about.alias or field]["description"] == words[field]


def test_no_two_answers_bear_one_name() -> None:
    names = [kind.__name__ for kind in _subclasses(Answer)]
    assert len(names) == len(set(names))


@pytest.mark.parametrize("verb", [verb for verb in schemas.ANSWERS if verb not in ELSEWHERE])
def test_what_a_verb_prints_fits_its_schema(verb: str, road: dict[str, str]) -> None:
    written = json.loads((schemas.FOLDER / f"{verb}.json").read_text(encoding="utf-8"))
    told: set[str] = set()
    for command in VERBS[verb]:
        said = run_verb(Path(road["store"]), *(each.format(**road) for each in command), "--json")
        assert said.code in (0, 1) and said.out, (command, said.err)
        Draft202012Validator(written).validate(said.json)
        told |= {
            kind.__name__ for kind in schemas.ANSWERS[verb] if Draft202012Validator(schema(kind)).is_valid(said.json)
        }
    assert told == {kind.__name__ for kind in schemas.ANSWERS[verb]}  # each of its answers was seen


def test_a_schema_refuses_what_is_no_answer(made_season: MadeSeason) -> None:
    whole = run_verb(made_season.store, "plan", "--json").json
    held = Draft202012Validator(schemas.schema_of("plan"))
    held.validate(whole)
    wrong: list[dict[str, Any]] = [
        {**whole, "speed_mps": "30 mph"},
        {key: value for key, value in whole.items() if key != "tangled"},
        {**whole, "another": 1},
        {**whole, "next": [{**whole["next"][0], "runs": None}]},
    ]
    for each in wrong:
        with pytest.raises(ValidationError):
            held.validate(each)


def test_every_verb_that_prints_an_answer_has_a_schema() -> None:
    """The verbs of the analysis that take --json."""
    verbs = {
        name
        for name, callback in CALLBACKS.items()
        if callback.__module__.startswith("analysis.") and "json" in callback.__annotations__
    }
    assert verbs - {"demo"} == set(schemas.ANSWERS)
