"""The air of the day: consistency, METAR reports in odd shapes, and the correction held to simulated cars."""

from __future__ import annotations

import datetime
import math

import numpy as np
import pytest
import simulate

from analysis.conditions import weather
from analysis.conditions.roadload import GRAVITY, RoadLoad, tractive_acceleration
from analysis.conditions.weather import Weather, WeatherError, air_of, read_weather
from analysis.conditions.weather_given import from_metar


def test_missing_humidity_is_taken_as_half_and_said() -> None:
    air = air_of(Weather(temperature_c=20, pressure_hpa=1010))
    assert air.relative_humidity == 0.5
    assert "no humidity" in air.assumed[0]
    bounds = [float(weather.sae_j1349(293.15, 101_000, h)) for h in (0.0, 1.0)]
    assert min(bounds) < air.factors["SAE J1349"] < max(bounds)


def test_missing_pressure_takes_the_standard_atmosphere_at_the_elevation() -> None:
    air = air_of(Weather(temperature_c=15, humidity_percent=0), elevation_m=0.0)
    assert air.density_kg_per_m3 == pytest.approx(weather.STANDARD_DENSITY, rel=1e-4)
    assert air.density_altitude_m == pytest.approx(0, abs=1)
    assert "no pressure" in air.assumed[0]


@pytest.mark.parametrize("given", [Weather(pressure_hpa=1010), Weather(temperature_c=12), Weather()])
def test_too_little_weather_gives_no_factor_and_names_what_is_missing(given: Weather) -> None:
    air = air_of(given)
    assert air.missing and not air.factors and math.isnan(air.density_kg_per_m3)


def test_density_altitude_undoes_the_standard_atmosphere() -> None:
    for height in (-300.0, 0.0, 850.0, 2400.0):
        geopotential = 6_356_766.0 * height / (6_356_766.0 + height)
        t = 288.15 - 0.0065 * geopotential
        rho = float(weather.standard_pressure(height)) / (287.05287 * t)
        assert float(weather.density_altitude(rho)) == pytest.approx(height, abs=0.5)


def test_dew_point_and_humidity_agree() -> None:
    assert float(weather.humidity_from_dew_point(290.0, 290.0)) == 1.0
    assert float(weather.humidity_from_dew_point(293.15, 282.45)) == pytest.approx(0.503, abs=0.005)


@pytest.mark.parametrize(
    ("key", "value"), [("temperature_c", 88), ("pressure_hpa", 29.92), ("humidity_percent", 140), ("wind_mps", -1)]
)
def test_impossible_weather_is_one_line_with_its_key(key: str, value: float) -> None:
    with pytest.raises(WeatherError, match=key) as error:
        read_weather({key: value})
    assert "\n" not in str(error.value)


# --- METAR ----------------------------------------------------------------------------------------------------------


def test_metar_without_elevation_has_no_pressure() -> None:
    assert from_metar("METAR EGXX 021150Z 24005KT 9999 SCT030 17/09 Q1015", None).pressure_hpa is None


def test_metar_of_last_month_found_by_the_drives_day() -> None:
    found = from_metar("METAR EGXX 301950Z 24005KT 9999 17/09 Q1015", 20, datetime.date(2026, 5, 2))
    assert found.observed_utc == datetime.datetime(2026, 4, 30, 19, 50, tzinfo=datetime.UTC)


def test_metar_calm_variable_and_below_zero() -> None:
    calm = from_metar("METAR EGXX 021150Z 00000KT CAVOK M02/M05 Q1031", 20)
    assert (calm.wind_mps, calm.wind_from_deg, calm.temperature_c) == (0.0, None, -2.0)
    variable = from_metar("METAR EGXX 021150Z VRB02KT CAVOK 17/09 Q1031", 20)
    assert variable.wind_mps == pytest.approx(1.03) and variable.wind_from_deg is None


def test_metar_with_groups_nobody_knows_is_read_for_the_rest() -> None:
    found = from_metar("METAR EGXX 021150Z 24005G18KT 9999 17/09 Q1015 ZZZZZ 8849//91=", 20)
    assert found.temperature_c == 17 and found.gust_mps == pytest.approx(9.26)


@pytest.mark.parametrize("text", ["", "hello there", "METAR", "METAR EGXX 021150Z 24005KT 9999 SCT030 Q1015", "TAF"])
def test_what_is_no_report_is_one_line(text: str) -> None:
    with pytest.raises(WeatherError, match=r"METAR|temperature") as error:
        from_metar(text, 20)
    assert "\n" not in str(error.value)


def test_wind_along_the_way_driven() -> None:
    assert weather.headwind(4.0, 90.0, 90.0) == pytest.approx(4.0)
    assert weather.headwind(4.0, 90.0, 270.0) == pytest.approx(-4.0)
    assert weather.headwind(4.0, 0.0, 90.0) == pytest.approx(0.0, abs=1e-12)


# --- correction on engine force -------------------------------------------------------------------------------------


def _road(car: simulate.Car) -> RoadLoad:
    m = car.mass_kg
    return RoadLoad(car.a_n / m, car.b_n_per_mps / m, car.c_n_per_mps2 / m, car.rotating_mass_kg / m, "the simulator's")


@pytest.mark.parametrize("car", [simulate.WREN, simulate.SLOW_CAR])
@pytest.mark.parametrize("strength", [0.93, 1.0, 1.05])
def test_correction_brings_a_weak_day_back_to_the_standard_day(car: simulate.Car, strength: float) -> None:
    """The simulator drives one car with more and less engine; corrected times must be those of the standard day."""
    tall = simulate.tuned(car, force_n=math.inf)  # power throughout, so that the factor acts on all of the run
    script = [simulate.Stand(1), simulate.Pull(24.0), simulate.Stand(1)]
    standard = simulate.drive(tall, script, dt=0.002).runs[0]
    day = simulate.drive(tall, script, dt=0.002, force_scale=strength).runs[0]
    speeds = np.arange(2.0, 23.0, 0.5)
    road = _road(car)
    measured = np.array([day.time_to(v) for v in speeds])
    wanted = np.array([standard.time_to(v) for v in speeds])
    corrected = weather.corrected_times(speeds, measured, 1 / strength, road, road)
    assert np.max(np.abs((corrected - corrected[0]) - (wanted - wanted[0]))) < 0.01 + 0.002 * wanted[-1]


def test_correcting_the_time_itself_would_be_wrong_near_top_speed() -> None:
    """Why the force is corrected: near top speed 3 % more engine is worth far more than 3 % of the time."""
    car = simulate.tuned(simulate.SLOW_CAR, force_n=math.inf)
    script = [simulate.Stand(1), simulate.Pull(26.5), simulate.Stand(1)]
    standard = simulate.drive(car, script, dt=0.005).runs[0]
    weak = simulate.drive(car, script, dt=0.005, force_scale=0.97).runs[0]
    ratio = weak.time_to(26.0) / standard.time_to(26.0)
    assert ratio > 1.06


def test_thin_air_helps_a_car_by_its_drag() -> None:
    """The same push in air of 90 % of the density: drag is less, so the same time means less push was there."""
    speeds, times = np.array([5.0, 15.0, 25.0]), np.array([0.0, 8.0, 30.0])
    day, standard = RoadLoad(0.1, 0, 0.0009, 0, ""), RoadLoad(0.1, 0, 0.0010, 0, "")
    assert weather.corrected_times(speeds, times, 1.0, day, standard)[-1] > times[-1]


def test_a_corrected_car_that_would_stop_gaining_has_no_time() -> None:
    road = RoadLoad(0.1, 0, 0.001, 0, "")
    speeds, times = np.array([5.0, 15.0, 25.0]), np.array([0.0, 8.0, 100.0])
    corrected = weather.corrected_times(speeds, times, 0.8, road, road)
    assert np.isfinite(corrected[1]) and np.isnan(corrected[2])


def test_factor_one_and_the_same_air_change_nothing() -> None:
    road = RoadLoad(0.13, 0.002, 0.001, 0.04, "")
    speeds, times = np.array([3.0, 8.0, 14.0, 20.0]), np.array([0.6, 2.2, 5.0, 10.4])
    assert weather.corrected_times(speeds, times, 1.0, road, road, 0.01) == pytest.approx(times)


def test_many_runs_are_corrected_as_each_by_itself_was_first_written() -> None:
    """Of all sorts: a time that is missing, one that does not rise, a run that is one point long; hills and airs."""
    rng = np.random.default_rng(12)
    for count in (2, 3, 9, 25, 1):
        speeds = np.sort(rng.uniform(1.0, 30.0, count))
        times = np.cumsum(rng.uniform(0.05, 1.0, (12, count)), axis=1)
        times[3, count // 2] = np.nan
        times[4, -1] = times[4, 0]
        factors, grades = rng.uniform(0.9, 1.1, 12), rng.uniform(-0.03, 0.03, 12)
        days, standards = ([RoadLoad(a, 0.002, c, 0.04, "") for a, c in rng.uniform(5e-4, 0.1, (12, 2))] for _ in "ab")
        for of_day in zip(factors.tolist(), days, standards, strict=True):
            both = weather.corrected_of_many(speeds, times, *of_day, grades)
            for found, launch in zip(both, (True, False), strict=True):
                for k, mine in enumerate(found):
                    wanted = first_written(speeds, times[k], *of_day, grades[k], launch)
                    np.testing.assert_allclose(mine, wanted, rtol=1e-12, atol=1e-12)
                    args = *of_day, grades[k], launch
                    np.testing.assert_array_equal(weather.corrected_times(speeds, times[k], *args), mine)


def first_written(
    v: np.ndarray, t: np.ndarray, factor: float, road: RoadLoad, standard: RoadLoad, grade: float, launch: bool
) -> np.ndarray:
    middle = 0.5 * (v[1:] + v[:-1])
    with np.errstate(divide="ignore", invalid="ignore"):
        pushed = tractive_acceleration(middle, np.diff(v) / np.diff(t), road, grade)
        climb = GRAVITY * grade / math.hypot(1.0, grade)
        acts = np.full(len(middle), factor)
        if not launch:
            power = np.where(np.isfinite(pushed), pushed * middle, 0.0)
            full = np.flatnonzero(power >= weather.FULL_POWER * power.max(initial=0.0))
            ends = min(middle[full[0]] if len(full) else math.inf, weather.LAUNCH_MOST_MPS)
            acts[middle < ends] = 1.0
        gain = (acts * pushed - climb - standard.at(middle)) / (1 + standard.rotating)
        steps = np.where(gain > 0, np.diff(v) / gain, np.nan)
    return np.concatenate([t[:1], t[0] + np.cumsum(steps)])
