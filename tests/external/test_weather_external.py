"""The air of the day, held to reference libraries and published values; the source stands beside each check."""

from __future__ import annotations

import fluids
import numpy as np
import psychrolib
import pytest

from analysis.conditions import weather
from analysis.conditions.weather_given import from_metar

psychrolib.SetUnitSystem(psychrolib.SI)


@pytest.mark.parametrize("celsius", [-25.0, -5.0, 0.0, 0.02, 8.0, 21.5, 38.0])
@pytest.mark.parametrize("humidity", [0.05, 0.5, 1.0])
@pytest.mark.parametrize("pascal", [80_000.0, 95_000.0, 101_325.0, 104_000.0])
def test_moist_air_agrees_with_psychrolib(celsius: float, humidity: float, pascal: float) -> None:
    """psychrolib 2.5: ASHRAE Handbook Fundamentals 2017, chapter 1."""
    t = celsius + 273.15
    assert float(weather.saturation_pressure(t)) == pytest.approx(psychrolib.GetSatVapPres(celsius), rel=1e-9)
    ratio = psychrolib.GetHumRatioFromRelHum(celsius, humidity, pascal)
    density = psychrolib.GetMoistAirDensity(celsius, ratio, pascal)
    assert float(weather.air_density(t, pascal, humidity)) == pytest.approx(density, rel=2e-6)
    dew = psychrolib.GetTDewPointFromRelHum(celsius, humidity)
    assert float(weather.humidity_from_dew_point(t, dew + 273.15)) == pytest.approx(humidity, rel=2e-3)


@pytest.mark.parametrize("height", [-400.0, 0.0, 21.0, 500.0, 1609.344, 3000.0, 5500.0])
def test_standard_atmosphere_agrees_with_fluids(height: float) -> None:
    """fluids.ATMOSPHERE_1976: U.S. Standard Atmosphere 1976."""
    air = fluids.ATMOSPHERE_1976(height)
    assert float(weather.standard_pressure(height)) == pytest.approx(air.P, rel=2e-5)
    assert float(weather.density_altitude(air.rho)) == pytest.approx(height, abs=1.0)


@pytest.mark.parametrize(
    ("fahrenheit", "humidity", "inhg", "published"), [(85.0, 0.85, 28.85, 1.1005), (55.0, 0.35, 30.10, 0.994)]
)
def test_j607_published_worked_example(fahrenheit: float, humidity: float, inhg: float, published: float) -> None:
    """SAE J607's factor with the worked example published for it. Its vapour pressure is 1.5 % below ASHRAE's, which
    is the last half of a thousandth."""
    found = float(weather.sae_j607((fahrenheit - 32) / 1.8 + 273.15, inhg * 3386.389, humidity))
    assert found == pytest.approx(published, abs=1e-3)


def test_j607_is_one_at_its_own_reference() -> None:
    """SAE J607: 60 F, 29.92 inHg, dry."""
    assert float(weather.sae_j607((60 - 32) / 1.8 + 273.15, 29.92 * 3386.389, 0.0)) == pytest.approx(1, abs=1e-6)


def test_j1349_is_one_at_its_own_reference() -> None:
    """SAE J1349: 25 C and 990 hPa of dry air."""
    assert float(weather.sae_j1349(298.15, 99_000.0, 0.0)) == pytest.approx(1, abs=1e-12)
    # Its formula at 35 C and 950 hPa dry, worked by hand: 1.18 (990/950) sqrt(308/298) - 0.18.
    assert float(weather.sae_j1349(308.15, 95_000.0, 0.0)) == pytest.approx(1.0702, abs=1e-4)


def test_metar_example_of_icao_annex_3() -> None:
    """The METAR example of ICAO Annex 3, appendix 3 (example A3-1); the code form is WMO's FM 15 (from memory)."""
    report = (
        "METAR YUDO 221630Z 24004MPS 0600 R12/1000U DZ FG SCT010 OVC020 17/16 Q1018 BECMG TL1700 0800 FG "
        "BECMG AT1800 9999 NSW="
    )
    found = from_metar(report, 0.0)
    assert (found.temperature_c, found.wind_mps, found.wind_from_deg) == (17.0, 4.0, 240.0)
    assert found.pressure_hpa == pytest.approx(1018.0, abs=0.01)
    assert found.humidity_percent == pytest.approx(100 * psychrolib.GetRelHumFromTDewPoint(17.0, 16.0), abs=0.1)
    assert found.observed_utc is not None and (found.observed_utc.day, found.observed_utc.hour) == (22, 16)


def test_metar_in_the_american_manner() -> None:
    """The report in the documentation and tests of the python-metar library: knots, inches, tenths in the remarks."""
    found = from_metar(
        "METAR KEWR 111851Z VRB03G19KT 2SM R04R/3000VP6000FT TSRA BR FEW015 BKN040CB BKN065 OVC200 22/22 A2987 RMK AO2 "
        "PK WND 29028/1817 WSHFT 1812 TSB05RAB22 SLP114 FRQ LTGICCCCG TS OHD AND NW-N-E MOV NE P0013 T02270215",
        0.0,
    )
    assert found.temperature_c == pytest.approx(22.7) and found.wind_from_deg is None
    assert found.pressure_hpa == pytest.approx(29.87 * 33.86389, abs=0.02)
    assert found.gust_mps == pytest.approx(19 * 1852 / 3600, abs=0.01)


@pytest.mark.parametrize("elevation", [0.0, 150.0, 1200.0])
def test_qnh_in_the_standard_atmosphere(elevation: float) -> None:
    """ICAO: an altimeter set to 1013.25 hPa reads the standard atmosphere, so there the station has its pressure."""
    geometric = elevation * 6_356_766.0 / (6_356_766.0 - elevation)
    air = fluids.ATMOSPHERE_1976(geometric)
    assert float(weather.station_pressure(101_325.0, elevation)) == pytest.approx(air.P, rel=2e-5)


def test_qnh_by_the_formula_of_the_us_weather_service() -> None:
    """The U.S. National Weather Service's altimeter setting from station pressure in hPa and elevation in m:
    (p - 0.3) (1 + (1013.25^0.190284 0.0065 / 288) h / (p - 0.3)^0.190284)^(1 / 0.190284) (from memory)."""
    qnh, height = 1021.0, 310.0
    p = float(weather.station_pressure(qnh * 100, height)) / 100 - 0.3
    setting = p * (1 + 1013.25**0.190284 * 0.0065 / 288 * height / p**0.190284) ** (1 / 0.190284)
    assert setting == pytest.approx(qnh, abs=0.5)


def test_all_functions_take_arrays() -> None:
    t = np.array([280.0, 300.0])
    assert weather.sae_j1349(t, 1e5, 0.5).shape == weather.air_density(t, 1e5, 0.5).shape == (2,)
