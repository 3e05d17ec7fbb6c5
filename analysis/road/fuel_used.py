"""The fuel that a loop used: from a volume or a weight, as a volume at 15.6 C with its standard errors.

    used = used_by_volume(0.00318, 3.8e-5, 304.15)        # or used_by_weight, or by_car for what the car's file adds

Fuel is brought to 60 F (15.6 C) [1].

References
----------
[1] SAE J1082, Fuel Economy Measurement Road Test Procedure: fuel to within 0.5 %, fuel at 15.6 C (60 F).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from logger.units import G_PER_KG, M3_PER_LITRE, kelvin_of_fahrenheit

if TYPE_CHECKING:
    from logger.config.car import CarConfig

REFERENCE_K = kelvin_of_fahrenheit(60)
"""60 F, about 15.6 C: the temperature that volumes are brought to [K]."""
EXPANSION_PER_C, EXPANSION_SIGMA = 0.00095, 0.0002
"""Petrol's growth for each degree, and how much petrols differ in it (from memory: tables have 0.00095 to 0.00125)."""
DENSITY_KG_PER_M3, DENSITY_SIGMA = 745.0, 15.0
"""Petrol's density at 15.6 C, and how much petrols differ in it (from memory: EN 228 allows 720 to 775 at 15 C)."""
FILL_SIGMA_M3 = 3e-5
"""Taken for a volume where the owner does not say how well fills repeat: 0.03 L."""
SCALE_SIGMA_KG = 0.01
"""Taken for a weight where the owner does not say how good the scale is: 10 g."""
THERMOMETER_SIGMA_K = 1.5
UNKNOWN_TEMPERATURE_SIGMA_K = 10.0


@dataclass(frozen=True)
class Used:
    """The fuel that a loop used, as a volume at 15.6 C, and how it was found; all that is kept with a drive.

    Standard errors: fill_sigma_m3 from filling or the scale and warmth_sigma_m3 from the fuel's temperature, which
    differ from loop to loop; shared_sigma_m3 from density or expansion, which all loops of one fuel share. The band
    that was asked for is kept with it.
    """

    volume_m3: float
    fill_sigma_m3: float
    warmth_sigma_m3: float
    shared_sigma_m3: float
    how: Literal["volume", "weight"]
    measured: float
    """As measured: m3 or kg."""
    fuel_k: float | None = None
    band_mps: tuple[float, float] | None = None
    assumed: tuple[str, ...] = ()

    @property
    def own_sigma_m3(self) -> float:
        """What differs from loop to loop [m3]."""
        return math.hypot(self.fill_sigma_m3, self.warmth_sigma_m3)

    @property
    def sigma_m3(self) -> float:
        return math.hypot(self.own_sigma_m3, self.shared_sigma_m3)


def used_by_volume(
    volume_m3: float,
    sigma_m3: float | None = None,
    fuel_k: float | None = None,
    expansion_per_c: float | None = None,
    band_mps: tuple[float, float] | None = None,
) -> Used:
    """Fuel used from a volume, the same mark before and after.

    Parameters
    ----------
    sigma_m3 : float, optional
        Standard error of the volume used: how well filling to the mark repeats [m3].
    fuel_k : float, optional
        Temperature of the fuel that was filled in [K]; without it the volume stands as it is, less surely.
    """
    grows = EXPANSION_PER_C if expansion_per_c is None else expansion_per_c
    grows_sigma = EXPANSION_SIGMA if expansion_per_c is None else EXPANSION_SIGMA / 2
    assumed = []
    if sigma_m3 is None:
        sigma_m3 = FILL_SIGMA_M3
        assumed.append(f"fills repeat to ±{FILL_SIGMA_M3 / M3_PER_LITRE:.2f} L, one standard error (set --sigma)")
    if fuel_k is None:
        above, above_sigma = 0.0, UNKNOWN_TEMPERATURE_SIGMA_K
        assumed.append(f"fuel at 15.6 ±{UNKNOWN_TEMPERATURE_SIGMA_K:.0f} C, one standard error (set --fuel-temp)")
    else:
        above, above_sigma = fuel_k - REFERENCE_K, THERMOMETER_SIGMA_K
    at_reference = volume_m3 / (1 + grows * above)
    warmth, shared = at_reference * grows * above_sigma, at_reference * grows_sigma * abs(above)
    return Used(at_reference, sigma_m3, warmth, shared, "volume", volume_m3, fuel_k, band_mps, tuple(assumed))


def used_by_weight(
    mass_kg: float,
    sigma_kg: float | None = None,
    density_kg_per_m3: float | None = None,
    usual_density: float = DENSITY_KG_PER_M3,
    band_mps: tuple[float, float] | None = None,
) -> Used:
    """Fuel used from the weight lost; a volume at 15.6 C by the density at 15.6 C, so that no temperature is needed.

    `density_kg_per_m3` is a measured density (taken to be good to 0.3 %); without one `usual_density` stands in.
    """
    assumed = []
    if sigma_kg is None:
        sigma_kg = SCALE_SIGMA_KG
        assumed.append(f"the scale is right to ±{SCALE_SIGMA_KG * G_PER_KG:.0f} g, one standard error (set --sigma)")
    if density_kg_per_m3 is None:
        density, density_sigma = usual_density, DENSITY_SIGMA
        assumed.append(
            f"density {usual_density:.0f} ±{DENSITY_SIGMA:.0f} kg/m3, one standard error (set density_kg_per_m3)"
        )
    else:
        density, density_sigma = density_kg_per_m3, 0.003 * density_kg_per_m3
    volume = mass_kg / density
    return Used(
        volume,
        sigma_kg / density,
        0.0,
        volume * density_sigma / density,
        "weight",
        mass_kg,
        None,
        band_mps,
        tuple(assumed),
    )


def by_car(
    car: CarConfig | None,
    *,
    volume_m3: float | None = None,
    mass_kg: float | None = None,
    sigma: float | None = None,
    fuel_k: float | None = None,
    band_mps: tuple[float, float] | None = None,
) -> Used:
    """Fuel used from a volume or a weight, with the expansion or density that the car's file gives.

    Parameters
    ----------
    volume_m3, mass_kg : float, one of them
        What was measured [m3, kg].
    sigma : float, optional
        Its standard error [m3 or kg].
    fuel_k : float, optional
        Temperature of the fuel of a volume [K].
    band_mps : (low, high), optional
        The speeds that were to be held [m/s].

    Raises
    ------
    ValueError
        Where neither or both were measured.
    """
    from analysis.conditions.fuels import FUELS, parse_blend

    if (volume_m3 is None) == (mass_kg is None):
        raise ValueError("give the fuel used either as a volume or as a weight")
    fuel = car.fuel if car else None
    if volume_m3 is not None:
        return used_by_volume(volume_m3, sigma, fuel_k, fuel.expansion_per_c if fuel else None, band_mps)
    assert mass_kg is not None
    usual = DENSITY_KG_PER_M3
    if fuel:
        usual = sum(share * FUELS[name].density_kg_per_m3 for name, share in parse_blend(fuel.blend).items())
    return used_by_weight(mass_kg, sigma, fuel.density_kg_per_m3 if fuel else None, usual, band_mps)


# --- as kept in a drive's manifest --------------------------------------------------------------------------------


def to_kept(used: Used) -> dict[str, Any]:
    """As kept in a drive's manifest."""
    return {
        "volume_m3": used.volume_m3,
        "fill_sigma_m3": used.fill_sigma_m3,
        "warmth_sigma_m3": used.warmth_sigma_m3,
        "shared_sigma_m3": used.shared_sigma_m3,
        "how": used.how,
        "measured": used.measured,
        "fuel_k": used.fuel_k,
        "band_mps": list(used.band_mps) if used.band_mps else None,
        "assumed": list(used.assumed),
    }


def from_kept(kept: dict[str, Any]) -> Used:
    """What `to_kept` gave. ValueError where it is something else."""
    try:
        band = kept["band_mps"]
        how: Literal["volume", "weight"] = "weight" if kept["how"] == "weight" else "volume"
        return Used(
            float(kept["volume_m3"]), float(kept["fill_sigma_m3"]), float(kept["warmth_sigma_m3"]),
            float(kept["shared_sigma_m3"]), how,
            float(kept["measured"]), kept["fuel_k"], (float(band[0]), float(band[1])) if band else None,
            tuple(kept["assumed"]),
        )  # fmt: skip
    except (KeyError, TypeError, IndexError) as error:
        raise ValueError(f"the fuel kept with the drive cannot be read: {error}") from error
