"""Fuel loops against geographiclib, NIST's units, SAE J1082's mean and a worked figure."""

from __future__ import annotations

import math

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from analysis.motion.geodesy import chord_length, distance_m, plane, track_length
from analysis.road import fuel_averages, fuel_used
from analysis.road.fuel_loops import Distance, Loop, Manner
from logger.units import (
    IMPERIAL_GALLON_M3,
    M_PER_MILE,
    US_GALLON_M3,
    ZERO_CELSIUS_K,
    l_per_100km,
    mpg_imperial,
    mpg_us,
    parse_quantity,
)

ROUNDING_M = 1e-8
"""A longitude of 180 degrees in double precision is known to 3 nm of ground."""


@pytest.mark.parametrize("lat", [0.0, 23.0, 45.0, 53.4, 68.0, -33.9, 89.0])
@pytest.mark.parametrize("step_m", [1.0, 20.0, 1000.0, 10_000.0])
def test_steps_against_geographiclib(lat: float, step_m: float) -> None:
    """C. F. F. Karney, "Algorithms for geodesics", J. Geodesy 87 (2013), by the library geographiclib; WGS 84."""
    for azimuth in (0.0, 37.0, 90.0, 200.0, 290.0):
        end = Geodesic.WGS84.Direct(lat, 179.99, azimuth, step_m)  # across the 180th meridian too
        ours = chord_length([lat, end["lat2"]], [179.99, end["lon2"]])[0]
        assert ours == pytest.approx(step_m, rel=1.1e-7, abs=ROUNDING_M)


@pytest.mark.parametrize("lat", [0.0, 53.4, -33.9, 89.95, -90.0])
@pytest.mark.parametrize("away_m", [1.0, 150.0, 20_000.0, 3_000_000.0, 19_000_000.0])
def test_a_place_is_never_nearer_by_the_ground_than_told(lat: float, away_m: float) -> None:
    """What a private circle hides rests on it. geographiclib, WGS 84; as near as the way for what circles have."""
    for azimuth in (0.0, 37.0, 90.0, 200.0, 290.0):
        end = Geodesic.WGS84.Direct(lat, 179.99, azimuth, away_m)
        told = float(distance_m(end["lat2"], end["lon2"], lat, 179.99))
        assert told <= away_m * (1 + 1e-12) + ROUNDING_M
        if away_m <= 20_000:
            assert told == pytest.approx(away_m, rel=5e-7, abs=ROUNDING_M)


@pytest.mark.parametrize("lat", [0.0, 53.4, -33.9, 85.0])
@pytest.mark.parametrize("away_m", [10.0, 1000.0, 10_000.0])
def test_east_and_north_against_geographiclib(lat: float, away_m: float) -> None:
    """Azimuth and length of the geodesic from the origin (C. F. F. Karney); across the 180th meridian too."""
    for azimuth in (0.0, 37.0, 90.0, 200.0, 290.0):
        end = Geodesic.WGS84.Direct(lat, 179.99, azimuth, away_m)
        east, north = plane([end["lat2"]], [end["lon2"]], (lat, 179.99))
        assert east[0] == pytest.approx(away_m * math.sin(math.radians(azimuth)), abs=1e-6 * away_m + ROUNDING_M)
        assert north[0] == pytest.approx(away_m * math.cos(math.radians(azimuth)), abs=1e-6 * away_m + ROUNDING_M)


def test_a_track_with_bends_against_its_geodesic_construction() -> None:
    """A closed track laid out with geographiclib: straights of 800 m, half circles of 60 m radius in 1 m steps."""
    lat, lon, azimuth = 53.4, -0.4, 20.0
    lats, lons, true = [lat], [lon], 0.0
    for _ in range(2):
        for count, turn in ((800, 0.0), (round(math.pi * 60), 180 / round(math.pi * 60))):
            for _ in range(count):
                azimuth += turn
                point = Geodesic.WGS84.Direct(lats[-1], lons[-1], azimuth, 1.0)
                lats.append(point["lat2"])
                lons.append(point["lon2"])
                true += 1.0
    way = np.arange(len(lats), dtype=float)
    length, error = track_length(way, lats, lons)
    assert length == pytest.approx(true, rel=5e-4)
    assert abs(length - true) < 3 * error + 0.3


def test_a_track_stays_its_length_at_height() -> None:
    """By hand: at 1500 m above the ellipsoid a degree is longer by 1500 / 6371000 = 0.0235 %."""
    lats = 50 + np.arange(400) * 1e-4
    way = np.arange(400) * 11.12
    low, _ = track_length(way, lats, np.zeros(400), np.zeros(400))
    high, _ = track_length(way, lats, np.zeros(400), np.full(400, 1500.0))
    assert high / low - 1 == pytest.approx(1500 / 6_371_000, rel=1e-6)


def test_units_against_nist() -> None:
    """NIST SP 811 (2008), appendix B.8 and B.9: 1 mi = 1609.344 m, 1 gal (US) = 3.785 411 784 L, 1 imperial gallon =
    4.546 09 L; L/100 km = 235.214 583 / mpg (US) follows."""
    assert M_PER_MILE == 1609.344
    assert US_GALLON_M3 == 3.785411784e-3
    assert IMPERIAL_GALLON_M3 == 4.54609e-3
    for mpg in (10.0, 40.72, 75.0):
        consumption = US_GALLON_M3 / (mpg * 1609.344)
        assert mpg_us(consumption) == pytest.approx(mpg, rel=1e-12)
        assert l_per_100km(consumption) == pytest.approx(235.214583 / mpg, rel=1e-8)
        assert mpg_imperial(consumption) == pytest.approx(mpg * 4.54609 / 3.785411784, rel=1e-12)


def test_a_worked_figure() -> None:
    """37.1 miles on 0.911 US gallons are 40.72 miles a gallon (by division)."""
    metres, volume = parse_quantity("37.1mi", "m"), parse_quantity("0.911gal", "m**3")
    assert mpg_us(volume / metres) == pytest.approx(40.72, abs=0.005)


def test_loops_are_averaged_by_the_harmonic_mean_of_sae_j1082() -> None:
    """SAE J1082, Fuel Economy Measurement Road Test Procedure: several tests by the harmonic mean. Over equal distances
    that is all the distance over all the fuel: 30, 40 and 60 mpg over 120 miles each burn 4 + 3 + 2 gallons, so 40.
    And scipy.stats.hmean."""
    from scipy.stats import hmean

    for each in ([30.0, 40.0, 60.0], [38.2, 41.9, 40.1]):
        loops = [driven(120 * 1609.344, 120 * 3.785411784e-3 / mpg) for mpg in each]
        assert mpg_us(fuel_averages.average(loops).m3_per_m) == pytest.approx(float(hmean(each)), rel=1e-12)
    assert float(hmean([30.0, 40.0, 60.0])) == pytest.approx(360 / 9)


def driven(metres: float, m3: float) -> Loop:
    used = fuel_used.Used(m3, 0.01 * m3, 0.0, 0.0, "volume", m3)
    way = Distance(metres, 0.0, metres, 0.0, math.nan, math.nan, 0.0, True)
    return Loop(way, used, Manner(*[math.nan] * 2, 0, *[math.nan] * 9))


def test_the_reference_temperature_is_60_f() -> None:
    """SAE J1082 corrects to 15.6 C (60 F)."""
    assert pytest.approx(parse_quantity("60F", "kelvin"), abs=1e-9) == fuel_used.REFERENCE_K
    assert pytest.approx(15.6, abs=0.05) == fuel_used.REFERENCE_K - ZERO_CELSIUS_K


def test_expansion_against_the_petroleum_tables_formula() -> None:
    """ASTM D1250 / API MPMS 11.1, gasolines (from memory): alpha = 346.4228 / rho^2 + 0.4388 / rho at 15 C, which for
    745 kg/m3 is 0.00121 a degree; the default and its error must not exclude it at 95 %."""
    alpha = 346.4228 / 745**2 + 0.4388 / 745
    assert abs(alpha - fuel_used.EXPANSION_PER_C) < 1.96 * fuel_used.EXPANSION_SIGMA
