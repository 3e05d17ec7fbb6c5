"""The car's file, typed: mass, units, fuel, tyres, gearing, measured road load."""

from __future__ import annotations

import itertools
import re
from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from logger.config.sections import ConfigSection, Finite, Name, NotNegative, Positive
from logger.units import kelvin_of_celsius, kelvin_of_fahrenheit


class Car(ConfigSection):
    """[car]: what the road load and the wheel force are worked out from. All are guesses until measured."""

    name: str
    mass_kg: Positive
    """As driven: car, driver, fuel."""
    mass_sigma_kg: NotNegative | None = None
    rotating_mass_kg: NotNegative | None = None
    """What wheels, belt and engine add to the mass when the car speeds up; by default 4 % of the mass."""
    frontal_area_m2: Positive | None = None
    drag_coefficient: Positive | None = None
    rolling_coefficient: Positive | None = None
    wheel_power_kw: Positive | None = None
    """The most power at the wheels, where it is known: what full throttle is at speeds not driven flat out."""
    cooling: Literal["air", "water"]
    carburettor: str = ""
    elevation_m: Finite | None = None

    @field_validator("mass_kg")
    @classmethod
    def _a_car(cls, mass: float) -> float:
        if not 50 <= mass <= 20_000:
            raise ValueError("expected 50 to 20000 kg")
        return mass


class Units(ConfigSection):
    """[units]: how answers are printed."""

    speed: Literal["mph", "km/h"] = "mph"


class TankFuel(ConfigSection):
    """[fuel]: what is in the tank. The scale that the controller shows AFR on is the recorder's file's to tell."""

    blend: str = "petrol"
    stoich_afr: Positive | None = None
    """The fuel's own stoichiometric ratio, air to fuel by mass, where the owner knows it; else the blend's."""
    density_kg_per_m3: Annotated[float, Field(ge=600, le=1000)] | None = None
    """At 15.6 C; turns a weight of fuel into a volume."""
    expansion_per_c: Annotated[float, Field(ge=0, le=0.003)] | None = None
    """Growth of the fuel's volume for each degree."""


class Tyres(ConfigSection):
    """[tyres]: the driven wheels' tyres."""

    size: str = ""
    pressure_kpa: Positive | None = None
    circumference_m: Annotated[float, Field(ge=0.5, le=4)] | None = None
    """Way for one turn of a driven wheel, measured by rolling the loaded car; with gearing it gives engine speed."""


class Gearing(ConfigSection):
    """[gearing]: engine turns for each turn of the driven wheels, by gear, or between the limits of a belt drive."""

    final_ratio: Positive = 1.0
    """Engine side over wheel side of all that comes after gearbox or belt."""
    gears: list[Positive] = Field(default_factory=list)
    """Gearbox ratios from the lowest gear up; a single one for a direct drive."""
    belt_low: Positive | None = None
    """Engine turns for one turn behind the belt when pulling away."""
    belt_high: Positive | None = None
    """The same at speed, with the belt shifted out."""
    engine_speed_channel: Name = "rpm"
    """The recorded channel that holds engine speed in turns a minute, where there is one."""

    @model_validator(mode="after")
    def _one_kind(self) -> Gearing:
        if self.gears and (self.belt_low or self.belt_high):
            raise ValueError("give gears or the limits of a belt, not both")
        if any(b >= a for a, b in itertools.pairwise(self.gears)):
            raise ValueError("list gears from the lowest gear (largest ratio) up, such as [3.6, 2.1, 1.4, 1.0]")
        if (self.belt_low is None) != (self.belt_high is None):
            raise ValueError("a belt needs both belt_low and belt_high")
        if self.belt_low is not None and self.belt_high is not None and self.belt_low < self.belt_high:
            raise ValueError("belt_low (pulling away) must be above belt_high (at speed)")
        return self


_DEGREES = re.compile(r"^\s*([+-]?\d+(?:\.\d+)?)\s*°?\s*([CF])\s*$")


def _kelvin(text: str | None) -> float | None:
    if text is None:
        return None
    match = _DEGREES.match(text)
    if match is None:
        raise ValueError("expected a temperature with its unit, such as '230C' or '446F'")
    return kelvin_of_celsius(float(match[1])) if match[2] == "C" else kelvin_of_fahrenheit(float(match[1]))


class Limits(ConfigSection):
    """[limits]: beyond these the panel warns, and a run begun colder than that does not count.

    Each needs its channel: `quantity` in the recorder's file says which that is.
    """

    head_max: str | None = None
    """Head temperature, such as "230C" or "446F"."""
    oil_max: str | None = None
    plug_max: str | None = None
    """Under the plug."""
    engine_speed_max: Positive | None = None
    """Turns a minute."""
    battery_min_v: Positive | None = None
    warm_from: str | None = None
    """Head temperature, or oil temperature where there is no other, from which on a run counts."""

    @field_validator("head_max", "oil_max", "plug_max", "warm_from")
    @classmethod
    def _a_temperature(cls, text: str | None) -> str | None:
        _kelvin(text)
        return text

    @property
    def head_max_k(self) -> float | None:
        """[K]; so are the next three."""
        return _kelvin(self.head_max)

    @property
    def oil_max_k(self) -> float | None:
        return _kelvin(self.oil_max)

    @property
    def plug_max_k(self) -> float | None:
        return _kelvin(self.plug_max)

    @property
    def warm_from_k(self) -> float | None:
        return _kelvin(self.warm_from)


class MeasuredRoadLoad(ConfigSection):
    """[road_load]: what coasts measured, A + B v + C v^2, on the level in still air (`pullbook coast --save`)."""

    a_n: Finite
    b_n_per_mps: Finite = 0.0
    c_n_per_mps2: NotNegative
    a_sigma_n: NotNegative = 0.0
    b_sigma_n_per_mps: NotNegative = 0.0
    c_sigma_n_per_mps2: NotNegative = 0.0
    ab_correlation: Annotated[float, Field(ge=-1, le=1)] = 0.0
    ac_correlation: Annotated[float, Field(ge=-1, le=1)] = 0.0
    bc_correlation: Annotated[float, Field(ge=-1, le=1)] = 0.0
    air_density_kg_per_m3: Positive
    """The density that C holds for; C goes with density."""
    mass_kg: Positive
    """The mass during the coasts; A goes with mass."""
    measured: str = ""
    """When and by what, for the reader."""


def car_key(name: str) -> str:
    """A car's name as it is compared: "The Wren" and "the wren " are one car."""
    return name.strip().casefold()


class CarConfig(ConfigSection):
    """The car's file. Every section but [car] may be left out; what is missing limits what is answered."""

    car: Car
    units: Units = Units()
    fuel: TankFuel = TankFuel()
    tyres: Tyres = Tyres()
    gearing: Gearing | None = None
    limits: Limits = Limits()
    road_load: MeasuredRoadLoad | None = None
