"""A setup's file and the owner's jets, typed."""

from __future__ import annotations

import datetime
import math
from typing import Annotated, Any

from pydantic import Field, field_validator

from logger.config.sections import NAME, ConfigSection, NotNegative

SETUP_IN_FORCE = "setup.toml"
"""File of the store: the setup that `pullbook setup FILE` put in force, which new drives carry."""


class OwnedJet(ConfigSection):
    """[[jet]]: a jet that the owner has, as measured."""

    mark: Annotated[str, Field(min_length=1, max_length=20)]
    """What is stamped on it, or what the owner calls it."""
    measured_mm: Annotated[float, Field(ge=0.1, le=10)]
    sigma_mm: Annotated[float, Field(ge=0, le=0.2)] = 0.005
    """How far off the measurement may be, one standard error."""


class JetsConfig(ConfigSection):
    """The file of the owner's own jets."""

    jet: Annotated[list[OwnedJet], Field(min_length=1)]


PartValue = bool | int | float | str


class SetupConfig(ConfigSection):
    """A setup's file: the car as tested, as named parts with values."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    date: datetime.date | None = None
    notes: str = ""
    cost: NotNegative | None = None
    hours: NotNegative | None = None
    parts: dict[Annotated[str, Field(pattern=NAME)], PartValue]

    @field_validator("parts", mode="before")
    @classmethod
    def _plain(cls, parts: Any) -> Any:
        for name, value in parts.items() if isinstance(parts, dict) else ():
            if not isinstance(value, bool | int | float | str) or (
                isinstance(value, float) and not math.isfinite(value)
            ):
                raise ValueError(f"{name} = {value!r} must be a finite number, a word in quotes or true/false")
        return parts
