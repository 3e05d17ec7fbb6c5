"""What all sections of a configuration have in common: names, bounds, and that no unknown key passes."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

NAME = r"^[a-z][a-z0-9_]{0,31}$"
Name = Annotated[str, Field(pattern=NAME)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Pair = Annotated[tuple[Finite, Finite], Field(strict=False)]  # TOML has lists only


class ConfigSection(BaseModel):
    """A table of a configuration file: read strictly, never changed, and no key passes that it does not know."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)
