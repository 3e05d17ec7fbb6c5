"""The files that a recording goes by: the recorder's own, the car's, the setup's, the targets'."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from logger.errors import ConfigError, InputError

if TYPE_CHECKING:
    from logger.config.car import CarConfig
    from logger.config.recorder import RecorderConfig
    from logger.config.setup import SetupConfig
    from logger.config.targets import TargetsConfig


@dataclass
class Files:
    """The recorder's file and what it names."""

    path: Path
    text: str
    config: RecorderConfig
    car: CarConfig | None = None
    setup: SetupConfig | None = None
    targets: TargetsConfig | None = None
    """None where the program's own hold."""

    @classmethod
    def read(cls, path: Path | None, store: Path, setup: Path | None = None) -> Files:
        """Read all of them; ConfigError names the file that is wrong. Names in the file are relative to it."""
        from logger.config.car import CarConfig
        from logger.config.reading import load, parse, text_of
        from logger.config.recorder import RecorderConfig
        from logger.config.setup import SETUP_IN_FORCE, SetupConfig
        from logger.config.targets import TargetsConfig

        if path is None:
            path = store / "recorder.toml"
            if not path.is_file():
                raise InputError(
                    f"{path}: no such file. `pullbook begin` writes it after a few questions; "
                    "or name another with --config"
                )
        text = text_of(path)
        config = parse(text, RecorderConfig, str(path))
        files = cls(path, text, config)
        settings = files.config.recorder
        if settings.car is not None:
            files.car = load(path.parent / settings.car, CarConfig)
        if setup is None and (store / SETUP_IN_FORCE).is_file():
            setup = store / SETUP_IN_FORCE
        elif setup is None and settings.setup is not None:
            setup = path.parent / settings.setup
        if setup is not None:
            files.setup = load(setup, SetupConfig)
        if settings.targets is not None:
            files.targets = load(path.parent / settings.targets, TargetsConfig)
        elif (store / "targets.toml").is_file():
            files.targets = load(store / "targets.toml", TargetsConfig)
        return files

    def setup_as_of_now(self, store: Path, given: Path | None) -> Callable[[], SetupConfig | None]:
        """Gives what a drive that begins now carries: `pullbook set` may have changed it since these were read."""
        from logger.config.reading import load
        from logger.config.setup import SETUP_IN_FORCE, SetupConfig

        last = self.setup

        def now() -> SetupConfig | None:
            nonlocal last
            if given is None and (store / SETUP_IN_FORCE).is_file():
                with contextlib.suppress(ConfigError):  # what cannot be read now must not keep a drive from beginning
                    last = load(store / SETUP_IN_FORCE, SetupConfig)
            return last

        return now
