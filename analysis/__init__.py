"""Answers: from a drive folder to runs, mixture, comparisons and reports. Never opens a port.

    from analysis import Season, Store

    Store("drives").season().compare("baseline", "long snorkel").sentence

What is listed in `__all__` is for notebooks and other programs, and is described in docs/api.md. It is imported when
it is first asked for, so that the command line pays only for what a verb needs.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from analysis.answers.analyse import AnalyseAnswer
    from analysis.answers.bundle import BundleAnswer
    from analysis.answers.captions import CaptionsAnswer
    from analysis.answers.coast import CoastAnswer
    from analysis.answers.compare import CompareAnswer
    from analysis.answers.drives import DrivesAnswer
    from analysis.answers.effects import EffectsAnswer
    from analysis.answers.encoding import Answer, rows, schema
    from analysis.answers.export import ExportAnswer
    from analysis.answers.fuel import FuelAnswer, FuelLoopsAnswer
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
    from analysis.api import DriveAnswers, Season, Store
    from analysis.drive import AnalysedDrive
    from logger.errors import InputError, NoAnswer

__all__ = [
    "AllRunsAnswer",
    "AnalyseAnswer",
    "AnalysedDrive",
    "Answer",
    "BundleAnswer",
    "CaptionsAnswer",
    "CoastAnswer",
    "CompareAnswer",
    "DriveAnswers",
    "DrivesAnswer",
    "EffectsAnswer",
    "ExportAnswer",
    "FuelAnswer",
    "FuelLoopsAnswer",
    "InputError",
    "JetsAnswer",
    "MixtureAnswer",
    "MixtureChangeAnswer",
    "NoAnswer",
    "PackAnswer",
    "PhotosAnswer",
    "PlanAnswer",
    "PowerAnswer",
    "ReportAnswer",
    "RunsAnswer",
    "Season",
    "SeasonAnswer",
    "SetAnswer",
    "SetupInForceAnswer",
    "SetupOfDriveAnswer",
    "SetupsAnswer",
    "SetupsBetweenAnswer",
    "Store",
    "TagsAnswer",
    "UnpackAnswer",
    "WeatherAnswer",
    "WhatIfAnswer",
    "rows",
    "schema",
]

_ROOMS = {
    "analysis.answers.analyse": ("AnalyseAnswer",),
    "analysis.answers.bundle": ("BundleAnswer",),
    "analysis.answers.captions": ("CaptionsAnswer",),
    "analysis.answers.coast": ("CoastAnswer",),
    "analysis.answers.compare": ("CompareAnswer",),
    "analysis.answers.drives": ("DrivesAnswer",),
    "analysis.answers.effects": ("EffectsAnswer",),
    "analysis.answers.encoding": ("Answer", "rows", "schema"),
    "analysis.answers.export": ("ExportAnswer",),
    "analysis.answers.fuel": ("FuelAnswer", "FuelLoopsAnswer"),
    "analysis.answers.jets": ("JetsAnswer",),
    "analysis.answers.marks": ("TagsAnswer",),
    "analysis.answers.mixture": ("MixtureAnswer", "MixtureChangeAnswer"),
    "analysis.answers.pack": ("PackAnswer", "UnpackAnswer"),
    "analysis.answers.photos": ("PhotosAnswer",),
    "analysis.answers.plan": ("PlanAnswer",),
    "analysis.answers.power": ("PowerAnswer",),
    "analysis.answers.report": ("ReportAnswer",),
    "analysis.answers.runs": ("AllRunsAnswer", "RunsAnswer"),
    "analysis.answers.season": ("SeasonAnswer",),
    "analysis.answers.setting": ("SetAnswer",),
    "analysis.answers.setups": (
        "SetupInForceAnswer",
        "SetupOfDriveAnswer",
        "SetupsAnswer",
        "SetupsBetweenAnswer",
    ),
    "analysis.answers.weather": ("WeatherAnswer",),
    "analysis.answers.whatif": ("WhatIfAnswer",),
    "analysis.api": ("DriveAnswers", "Season", "Store"),
    "analysis.drive": ("AnalysedDrive",),
    "logger.errors": ("InputError", "NoAnswer"),
}


def __getattr__(name: str) -> Any:
    for room, names in _ROOMS.items():
        if name in names:
            return getattr(import_module(room), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
