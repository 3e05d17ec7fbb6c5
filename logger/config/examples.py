"""The explained example files, `configs/`: inside the installed package, or beside it in the source tree."""

from __future__ import annotations

from pathlib import Path

from logger.config.car import CarConfig
from logger.config.reading import parse, text_of
from logger.errors import ConfigError


def folder() -> Path:
    """Where the examples are; ConfigError where they are missing."""
    for place in (Path(__file__).parents[1] / "configs", Path(__file__).parents[2] / "configs"):
        if place.is_dir():
            return place
    raise ConfigError("configs: the example files are missing from this installation; reinstall pullbook")


def text(name: str) -> str:
    """The text of the example called `name`, such as recorder.toml."""
    return text_of(folder() / name)


def is_the_example(car: CarConfig) -> bool:
    """Whether this is the example's car, figure for figure, its name apart."""
    try:
        example = parse(text("wren.toml"), CarConfig, "wren.toml")
    except ConfigError:  # an installation without examples has none to be mistaken for
        return False
    return car.car.model_copy(update={"name": ""}) == example.car.model_copy(update={"name": ""})
