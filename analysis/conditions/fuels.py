"""Fuels by composition: the stoichiometric air-fuel ratio of any blend, and AFR to lambda and back.

References
----------
[1] J. B. Heywood, Internal Combustion Engine Fundamentals, McGraw-Hill 1988, section 3.4, eq. 3.6, and table D.4.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logger.errors import InputError

if TYPE_CHECKING:
    from logger.config.car import CarConfig

PETROL_SCALE_AFR = 14.7
"""The AFR that mixture controllers show at lambda 1 unless told otherwise, whatever the fuel (common practice)."""
OWN_FUEL = "car"
"""Stands for what the car's file says is in the tank, where a blend is asked for."""


class FuelError(InputError):
    """A blend cannot be understood; the message is one complete line for the owner."""


@dataclass(frozen=True)
class Fuel:
    """A fuel as carbon, hydrogen and oxygen.

    Attributes
    ----------
    hydrogen, oxygen : float
        Atoms for each atom of carbon, the y and z of CH_y O_z [-].
    density_kg_per_m3 : float
        Liquid density near 15 C [kg/m3]; it turns shares by volume into shares by mass.
    """

    name: str
    hydrogen: float
    oxygen: float
    density_kg_per_m3: float

    @property
    def stoich_afr(self) -> float:
        """Mass of air that burns one unit mass of the fuel [-]."""
        return stoichiometric_afr(self.hydrogen, self.oxygen)


FUELS = {
    fuel.name: fuel
    for fuel in (
        # Pump petrol varies; this y is the one that gives the trade's 14.7. Densities near 15 C are from memory.
        Fuel("petrol", 1.94, 0.0, 745.0),
        Fuel("ethanol", 3.0, 0.5, 794.0),
        Fuel("methanol", 4.0, 1.0, 796.0),
        Fuel("isooctane", 2.25, 0.0, 696.0),
        Fuel("toluene", 8 / 7, 0.0, 871.0),
        Fuel("benzene", 1.0, 0.0, 884.0),
    )
}
"""The fuels a blend can be named from."""


def stoichiometric_afr(hydrogen: float, oxygen: float = 0.0) -> float:
    """Stoichiometric air-fuel ratio of a fuel CH_y O_z, by mass [-].

    Heywood's eq. 3.6 [1], 34.56 (4 + y) / (12.011 + 1.008 y), with the oxygen that the fuel brings along taken off the
    air it needs: 34.56 (4 + y - 2 z) / (12.011 + 1.008 y + 16.00 z).

    Parameters
    ----------
    hydrogen : float
        Hydrogen atoms for each carbon atom, y [-].
    oxygen : float
        Oxygen atoms for each carbon atom, z [-].
    """
    need = 4 + hydrogen - 2 * oxygen
    if hydrogen < 0 or oxygen < 0 or need <= 0:
        raise FuelError(
            f"CH{hydrogen:g}O{oxygen:g} is not a fuel. Shares must be zero or more, and it must need air to burn."
        )
    return 34.56 * need / (12.011 + 1.008 * hydrogen + 16.00 * oxygen)


def blend_stoich_afr(shares: Mapping[str, float]) -> float:
    """Stoichiometric air-fuel ratio of a blend given as shares by volume of the fuels in `FUELS` [-].

    Volumes are taken to add up, so each share by mass goes with volume times density. Shares are fractions that sum
    to 1 (to 0.5 %); FuelError otherwise, or for a fuel that is not known.
    """
    for name, share in shares.items():
        if name not in FUELS:
            raise FuelError(f"fuel {name!r} is not known. Write one of {', '.join(FUELS)}.")
        if not 0 <= share <= 1:
            raise FuelError(f"{name} cannot be {share:.0%} of a blend. Write 0 to 100 %.")
    if abs(sum(shares.values()) - 1) > 0.005:
        raise FuelError(f"the parts of a blend add up to {sum(shares.values()):.1%}, not 100 %")
    masses = {name: share * FUELS[name].density_kg_per_m3 for name, share in shares.items()}
    return sum(mass * FUELS[name].stoich_afr for name, mass in masses.items()) / sum(masses.values())


def parse_blend(text: str) -> dict[str, float]:
    """Read a blend as shares by volume.

    Understood are the names in `FUELS`, `E10` (10 % ethanol by volume in petrol) and `M15` (methanol) with any number
    from 0 to 100, and lists such as "80% petrol, 20% toluene". FuelError names what was found and expected.
    """
    words = text.strip().lower().replace("gasoline", "petrol").replace("iso-octane", "isooctane")
    if words in FUELS:
        return {words: 1.0}
    if match := re.fullmatch(r"([em])(\d+(?:\.\d+)?)", words):
        share, alcohol = float(match[2]) / 100, {"e": "ethanol", "m": "methanol"}[match[1]]
        if share <= 1:
            return {name: part for name, part in (("petrol", 1 - share), (alcohol, share)) if part > 0}
    shares: dict[str, float] = {}
    for part in re.split(r"[,+;]", words):
        match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*%\s*([a-z]+)\s*", part)
        if match is None:
            example = "petrol, E10, E85, methanol or '80% petrol, 20% toluene' (by volume)"
            raise FuelError(f"{text!r} is not a blend. Write it as {example}.")
        shares[match[2]] = shares.get(match[2], 0.0) + float(match[1]) / 100
    blend_stoich_afr(shares)
    return shares


def stoich_of(blend: str, given: float | None = None) -> float:
    """The stoichiometric AFR of a blend by its text, or the owner's own `given` figure where there is one [-]."""
    return given if given is not None else blend_stoich_afr(parse_blend(blend))


def fuel_stoich_afr(car: CarConfig | None, blend: str | None = None) -> float:
    """The stoichiometric AFR of what a car burns [-].

    The `stoich_afr` of the car's file rules for the fuel that the file names: where no other blend is asked for, and
    where the one asked for is the same. Without it the ratio follows from the blend.

    Parameters
    ----------
    car : CarConfig or None
        The car's file; petrol is burnt without one.
    blend : str, optional
        Another fuel, as text; by default, and for `OWN_FUEL`, that of the car's file.

    Raises
    ------
    FuelError
        For a blend that cannot be understood; where it is that of the car's file, the line names the key.
    """
    own, given = (car.fuel.blend, car.fuel.stoich_afr) if car else ("petrol", None)
    if blend is None or blend.strip().lower() == OWN_FUEL:
        try:
            return stoich_of(own, given)
        except FuelError as error:
            raise FuelError(f"[fuel] blend in the car's file: {error}") from error
    shares = parse_blend(blend)
    return given if given is not None and _same_blend(shares, own) else blend_stoich_afr(shares)


def _same_blend(shares: Mapping[str, float], text: str) -> bool:
    try:
        other = parse_blend(text)
    except FuelError:
        return False
    return all(abs(shares.get(name, 0.0) - other.get(name, 0.0)) < 1e-6 for name in {*shares, *other})
