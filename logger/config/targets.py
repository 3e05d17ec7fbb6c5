"""The targets' file, typed: windows of mixture, regimes, masks, what is enough data, rules for jets."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from logger.config.sections import ConfigSection, Name, NotNegative, Positive


class Target(ConfigSection):
    """A mixture window for one regime of driving: AFR or lambda, low (rich end) to high (lean end)."""

    low: Positive
    high: Positive

    @model_validator(mode="after")
    def _ordered(self) -> Target:
        if self.low >= self.high:
            raise ValueError(f"low ({self.low:g}) must be below high ({self.high:g})")
        return self


class Targets(ConfigSection):
    """The windows of one kind of cooling."""

    full_throttle: Target
    cruise: Target
    town: Target
    idle: Target


class Regimes(ConfigSection):
    """[regimes]: where one regime of driving ends and the next begins."""

    full_throttle_share: Annotated[float, Field(gt=0, le=1)] = 0.85
    """Load as a share of the most the car can do at that speed, from which on it is full throttle."""
    cruise_share: Annotated[float, Field(gt=0, lt=1)] = 0.6
    """Share up to which it is cruise or town; between this and full throttle it is heavy throttle."""
    full_throttle_opening: Annotated[float, Field(gt=0, le=1)] = 0.9
    """Where a channel `throttle` is recorded: the share of its full travel from which on it is full throttle."""
    throttle_closed: float | None = None
    """What that channel shows closed, in its own unit; by default the least of the car's drives."""
    throttle_full: float | None = None
    """What it shows fully open; by default 100 of a channel in %, else the widest of two drives or more."""
    town_below_mps: Positive = 13.4
    """Speed below which part throttle is town, and above which it is cruise."""
    idle_below_mps: Positive = 0.6
    """Speed below which the car stands."""

    @model_validator(mode="after")
    def _ordered(self) -> Regimes:
        if self.cruise_share >= self.full_throttle_share:
            raise ValueError("cruise_share must be below full_throttle_share")
        if self.idle_below_mps >= self.town_below_mps:
            raise ValueError("idle_below_mps must be below town_below_mps")
        return self


class Masks(ConfigSection):
    """[masks]: which readings say nothing about the mixture the engine was given."""

    warm_up_s: NotNegative = 0.0
    """Seconds at the start of each drive that are left out (choke, cold engine)."""
    free_air_lambda: Positive = 1.36
    """Lambda from which on the sensor is in free air or the engine is off."""
    overrun_share: Annotated[float, Field(ge=-1, lt=1)] = -0.02
    """Load share below which the engine is being turned by the road."""
    gear_change_s: NotNegative = 1.2
    """Longest gap in the pull that is taken for a gear change; 0 for a car without gear changes."""
    step_share: Positive = 0.25
    """Change of load share that counts as a step, which the sensor must first follow."""
    settle_lags: NotNegative = 3.0
    """How many time constants of the sensor are left out after a step."""
    unknown_lag_s: NotNegative = 0.3
    """The time constant to assume where the drive cannot tell it."""


class Enough(ConfigSection):
    """[enough]: how much a cell needs before it is judged."""

    seconds: Positive = 3.0
    readings: Annotated[int, Field(ge=5)] = 12


JetSizes = Literal["number", "metric"]


class JetRules(ConfigSection):
    """[jets]: what `pullbook jets` may advise."""

    part: Name = "main_jet_mm"
    """The part of the setups that holds the main jet's diameter."""
    sizes: list[JetSizes] = Field(default_factory=lambda: list[JetSizes](("number", "metric")))
    """What can be got beside the jets in jets.toml: number drills, metric jets."""
    metric_step_mm: Annotated[float, Field(ge=0.005, le=0.5)] = 0.05
    """Step of the metric jets that can be got."""
    max_lean_step: Positive = 1.0
    """The most that a new jet may lean full throttle at once, in AFR on the scale where lambda 1 is 14.7: in 95 of 100
    cases, for holes vary. One drill down, 1.09 to 1.06 mm, is a normal step (common practice, no source): 0.7."""


def _air() -> Targets:
    return Targets(
        full_throttle=Target(low=12.0, high=12.5), cruise=Target(low=12.7, high=13.5),
        town=Target(low=12.5, high=13.5), idle=Target(low=12.0, high=13.5),
    )  # fmt: skip


def _water() -> Targets:
    return Targets(
        full_throttle=Target(low=12.5, high=13.2), cruise=Target(low=12.7, high=13.5),
        town=Target(low=12.5, high=13.8), idle=Target(low=12.5, high=13.8),
    )  # fmt: skip


class TargetsConfig(ConfigSection):
    """The mixture targets' file: windows by cooling, in AFR or in lambda, and what counts as what.

    The default windows are common practice for small carburetted engines, no source.
    """

    unit: Literal["afr", "lambda"] = "afr"
    stoich_afr: Positive = 14.7
    """The AFR at lambda 1 of the scale that these AFR figures are written in."""
    far_rich_lambda: Positive = 0.72
    """Below this the mixture is far too rich: it washes the bore and fouls the plug."""
    air: Targets = Field(default_factory=_air)
    water: Targets = Field(default_factory=_water)
    regimes: Regimes = Regimes()
    masks: Masks = Masks()
    enough: Enough = Enough()
    jets: JetRules = JetRules()

    @model_validator(mode="before")
    @classmethod
    def _usual_windows(cls, given: Any) -> Any:
        """Windows that are left out, on the scale of those that are given."""
        if not isinstance(given, dict):
            return given
        stoich = given.get("stoich_afr", 14.7)
        scale = 1 / 14.7 if given.get("unit") == "lambda" else stoich / 14.7 if isinstance(stoich, int | float) else 1
        if scale == 1:
            return given
        usual = {
            name: Targets.model_validate(
                {k: {"low": w["low"] * scale, "high": w["high"] * scale} for k, w in windows.model_dump().items()}
            )
            for name, windows in (("air", _air()), ("water", _water()))
        }
        return usual | given

    @model_validator(mode="after")
    def _plausible(self) -> TargetsConfig:
        low, high = (5.0, 25.0) if self.unit == "afr" else (0.5, 1.8)
        for cooling in (self.air, self.water):
            for regime in Targets.model_fields:
                window: Target = getattr(cooling, regime)
                if window.low < low or window.high > high:
                    raise ValueError(
                        f"{regime} {window.low:g} to {window.high:g} is outside {self.unit} {low:g} to {high:g}"
                    )
        return self
