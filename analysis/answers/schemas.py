"""The JSON schema of each verb's answer: `python -m analysis.answers.schemas` writes them into docs/schema.

    docs/schema/VERB.json     what `pullbook VERB --json` prints

A verb that answers one thing or another by its options has them as `anyOf`.
"""

from __future__ import annotations

import functools
import json
import operator
import sys
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

from analysis.answers.analyse import AnalyseAnswer
from analysis.answers.bundle import BundleAnswer
from analysis.answers.captions import CaptionsAnswer
from analysis.answers.coast import CoastAnswer
from analysis.answers.compare import CompareAnswer
from analysis.answers.drives import DrivesAnswer
from analysis.answers.effects import EffectsAnswer
from analysis.answers.encoding import Answer
from analysis.answers.export import ExportAnswer
from analysis.answers.fuel import FuelAnswer, FuelForgottenAnswer, FuelLoopsAnswer
from analysis.answers.jets import JetsAnswer
from analysis.answers.marks import TagsAnswer
from analysis.answers.mixture import MixtureAnswer, MixtureChangeAnswer
from analysis.answers.pack import PackAnswer, UnpackAnswer
from analysis.answers.photos import PhotosAnswer
from analysis.answers.plan import PlanAnswer
from analysis.answers.power import PowerAnswer
from analysis.answers.report import ReportAnswer
from analysis.answers.runs import AllRunsAnswer, RunsAnswer
from analysis.answers.season import SeasonAnswer
from analysis.answers.setting import SetAnswer
from analysis.answers.setups import SetupInForceAnswer, SetupOfDriveAnswer, SetupsAnswer, SetupsBetweenAnswer
from analysis.answers.weather import WeatherAnswer
from analysis.answers.whatif import WhatIfAnswer

ANSWERS: dict[str, tuple[type[Answer], ...]] = {
    "runs": (RunsAnswer, AllRunsAnswer),
    "tag": (TagsAnswer,),
    "photo": (PhotosAnswer,),
    "mixture": (MixtureAnswer, MixtureChangeAnswer),
    "jets": (JetsAnswer,),
    "fuel": (FuelAnswer, FuelLoopsAnswer, FuelForgottenAnswer),
    "coast": (CoastAnswer,),
    "power": (PowerAnswer,),
    "whatif": (WhatIfAnswer,),
    "compare": (CompareAnswer,),
    "effects": (EffectsAnswer,),
    "plan": (PlanAnswer,),
    "drives": (DrivesAnswer,),
    "season": (SeasonAnswer,),
    "setup": (SetupInForceAnswer, SetupOfDriveAnswer),
    "set": (SetAnswer,),
    "setups": (SetupsAnswer, SetupsBetweenAnswer),
    "weather": (WeatherAnswer,),
    "captions": (CaptionsAnswer,),
    "export": (ExportAnswer,),
    "report": (ReportAnswer,),
    "pack": (PackAnswer,),
    "unpack": (UnpackAnswer,),
    "analyse": (AnalyseAnswer,),
    "bundle": (BundleAnswer,),
}
"""Verb -> the answers it gives, by its options."""

FOLDER = Path(__file__).parents[2] / "docs" / "schema"
_DIALECT = "https://json-schema.org/draft/2020-12/schema"


def schema_of(verb: str) -> dict[str, Any]:
    """The schema of what a verb's `--json` prints."""
    adapter: TypeAdapter[Answer] = TypeAdapter(functools.reduce(operator.or_, ANSWERS[verb]))
    return {
        "$schema": _DIALECT,
        "title": f"pullbook {verb} --json",
        **_untitled(adapter.json_schema(mode="serialization")),
    }


def schema_text(verb: str) -> str:
    """The same as its file holds it."""
    return json.dumps(schema_of(verb), indent=2, ensure_ascii=False) + "\n"


def _untitled(schema: dict[str, Any]) -> dict[str, Any]:
    """Without the title of the outermost answer, which the verb's takes the place of."""
    return {key: value for key, value in schema.items() if key != "title"}


def main(folder: Path = FOLDER) -> None:
    """Write the schema of every verb, and take away those of verbs that are no more."""
    folder.mkdir(parents=True, exist_ok=True)
    for file in folder.glob("*.json"):
        if file.stem not in ANSWERS:
            file.unlink()
    for verb in ANSWERS:
        (folder / f"{verb}.json").write_text(schema_text(verb), encoding="utf-8")
    sys.stdout.write(f"{len(ANSWERS)} schemas in {folder}\n")


if __name__ == "__main__":
    main()
