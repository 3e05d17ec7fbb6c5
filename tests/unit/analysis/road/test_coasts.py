"""Coasts: found, told apart, fitted, refused where they cannot tell, kept in the car's file."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from made_coasts import Slope, formula_coasts, rough_coasts
from simulate import WREN, Brake, Coast, Cruise, Lift, Phase, Pull, Stand, Truth, Turn, drive, receive

from analysis.arrays import Codes, Floats
from analysis.conditions.roadload import GRAVITY, of
from analysis.motion import smoother
from analysis.motion.fixes import Fixes, clean
from analysis.road import coasts
from analysis.road.car_file import save_road_load
from analysis.road.coastdown import fit
from analysis.road.coasts import Coast as Rolled
from analysis.road.coasts import CoastsFound, Mass, RejectedCoast, find
from logger.config.car import CarConfig
from logger.config.reading import load
from logger.errors import ConfigError, NoAnswer

WREN_MASS = Mass(392, 0, 16, 0)


def found_in(script: list[Phase], *, noise_mps: float = 0.05, rate_hz: float = 10.0, **more: object) -> CoastsFound:
    truth = drive(WREN, script, Slope(slope=0.001))
    return found_of(truth, noise_mps, rate_hz, **more)


def found_of(truth: Truth, noise_mps: float = 0.05, rate_hz: float = 10.0, **more: object) -> CoastsFound:
    got = receive(truth, np.random.default_rng(4), rate_hz=rate_hz, noise_mps=noise_mps)
    fixes, _ = clean(Fixes.of(got.t_s, got.speed_mps, got.lat_deg, got.lon_deg, got.alt_m, got.course_deg))
    return find(smoother.smooth(fixes), fixes, WREN_MASS, drag_area_m2=0.6, **more)  # type: ignore[arg-type]


OUT_AND_BACK: list[Phase] = [
    Stand(8), Pull(22), Coast(6), Brake(0), Stand(4), Turn(), Pull(22), Coast(6), Brake(0), Stand(5),
]  # fmt: skip


# --- finding ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("rate_hz", "noise_mps"), [(10.0, 0.05), (5.0, 0.1), (1.0, 0.05), (25.0, 0.05)])
def test_coasts_are_found_whole_and_nothing_else(rate_hz: float, noise_mps: float) -> None:
    found = found_in(OUT_AND_BACK, rate_hz=rate_hz, noise_mps=noise_mps)
    assert len(found.coasts) == 2
    out, back = found.coasts
    assert abs(math.remainder(out.direction_deg - 90, 360)) < 3
    assert abs(math.remainder(back.direction_deg - 270, 360)) < 3
    for coast in found.coasts:
        assert (20.5 if rate_hz > 1 else 20.0) < coast.from_mps < 22.1, "the clutch's moment is cut, little more"
        assert 5.9 < coast.to_mps < 7.5, "the brake is cut, little more"


@pytest.mark.parametrize("rate_hz", [25.0, 10.0, 4.0, 1.0])
def test_steps_are_found_as_the_slow_way_finds_them(rate_hz: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """Reading by reading: the same coasts, to the last digit."""
    asked = []

    def slow(t: Floats, x: Floats, at: Codes, within_s: float) -> Floats:
        asked.append(len(at))
        whole = [slice(max(i - 200, 0), i + 201) for i in at.tolist()]
        return np.array([x[w][np.abs(t[w] - t[i]) <= within_s].max() for w, i in zip(whole, at.tolist(), strict=True)])

    fast = found_in(OUT_AND_BACK, rate_hz=rate_hz)
    monkeypatch.setattr(coasts, "_most_near", slow)
    assert repr(found_in(OUT_AND_BACK, rate_hz=rate_hz)) == repr(fast)
    assert asked[0] > 10


def test_slopes_late_in_a_recording_of_a_day_are_those_at_its_start() -> None:
    rng = np.random.default_rng(2)
    t = np.arange(0, 300, 0.1) + rng.uniform(0, 0.05, 3000)
    v = 20 + 5 * np.sin(t / 8) + rng.normal(0, 0.05, 3000)
    alone = coasts._slopes(t, v, 1.5)
    for i in range(20, 2980, 97):
        inside = (t >= t[i]) & (t <= t[i] + 1.5)
        assert alone[1][i] == pytest.approx(np.polyfit(t[inside] - t[i], v[inside], 1)[0], abs=1e-9)
    day = np.arange(0, 80_000, 0.1)
    late = coasts._slopes(np.concatenate([day, 80_000 + t]), np.concatenate([np.full(len(day), 15.0), v]), 1.5)
    for one, other in zip(alone, late, strict=True):
        np.testing.assert_allclose(other[len(day) + 20 :], one[20:], atol=1e-6)


def test_cruising_pulling_and_braking_are_no_coasts() -> None:
    script: list[Phase] = [Stand(8), Pull(20), Cruise(20, 60), Brake(12, 1.0), Cruise(12, 40), Brake(0), Stand(5)]
    assert found_in(script).coasts == []


def test_an_overrun_in_gear_is_left_out_with_its_reason() -> None:
    found = found_in([Stand(8), Pull(22), Lift(5), Brake(0), Stand(4)])
    assert found.coasts == []
    assert any("in gear or braked" in left.why for left in found.left_out)


def test_engine_speed_tells_an_overrun_from_a_coast_whatever_the_force() -> None:
    truth = drive(WREN, OUT_AND_BACK, Slope(slope=0.001))
    geared = (truth.t_s, 150 * truth.v_mps)
    idling = (truth.t_s, np.where(np.isnan(truth.throttle), 1100.0, 150 * truth.v_mps))
    found = found_of(truth, engine_speed=geared)
    assert found.coasts == []
    assert all("engine speed fell with road speed" in left.why for left in found.left_out)
    assert len(found_of(truth, engine_speed=idling).coasts) == 2


def test_notes_mark_the_coasts_to_take() -> None:
    truth = drive(WREN, OUT_AND_BACK, Slope(slope=0.001))
    began = float(truth.t_s[np.flatnonzero(truth.phase == 2)[0]])
    found = found_of(truth, notes=[(round((began - float(truth.t_s[0]) + 1) * 1e9), "Coast 1")])
    assert [coast.marked for coast in found.coasts] == [True]
    assert [left.why for left in found.left_out] == ["no note marks it as a coast"]


def test_a_short_coast_is_left_out_with_its_reason() -> None:
    found = found_in([Stand(8), Pull(20), Coast(16.8), Brake(0), Stand(5)])
    assert found.coasts == []
    assert any(left.why.startswith("too short") for left in found.left_out)


def test_two_drives_share_a_stretch_and_each_its_wind() -> None:
    first = found_in(OUT_AND_BACK)
    truth = drive(WREN, OUT_AND_BACK, Slope(slope=0.001, lat_deg=53.4012 + 1e-5), headwind_mps=1.5)
    got = receive(truth, np.random.default_rng(5))
    fixes, _ = clean(Fixes.of(got.t_s, got.speed_mps, got.lat_deg, got.lon_deg, got.alt_m, got.course_deg))
    second = find(smoother.smooth(fixes), fixes, WREN_MASS, outing="second", origin_deg=first.origin_deg)
    measured = fit([*first.coasts, *second.coasts], WREN_MASS)
    assert len(measured.stretches) == 1
    winds = measured.stretches[0].wind_mps
    assert winds[""][0] == pytest.approx(0.0, abs=0.3)
    assert winds["second"][0] == pytest.approx(1.5, abs=0.3)


def test_a_bend_is_left_out() -> None:
    truth = drive(WREN, [Stand(8), Pull(22), Coast(6), Brake(0), Stand(5)])  # the airfield's lap: into its bend
    got = receive(truth, np.random.default_rng(4))
    course = got.course_deg + np.where(got.t_s > 35, 4.0 * (got.t_s - 35), 0.0)
    fixes, _ = clean(Fixes.of(got.t_s, got.speed_mps, got.lat_deg, got.lon_deg, got.alt_m, course % 360))
    found = find(smoother.smooth(fixes), fixes, WREN_MASS)
    assert found.coasts == []
    assert any("bend" in left.why for left in found.left_out)


# --- the fit ------------------------------------------------------------------------------------------------------


def test_coefficients_come_back_from_a_whole_drive() -> None:
    script: list[Phase] = [Stand(8)]
    for _ in range(3):
        script += [Pull(23), Coast(6), Brake(0), Stand(3), Turn(), Pull(23), Coast(6), Brake(0), Stand(3), Turn()]
    found = found_in(script)
    measured = fit(found.coasts, Mass.of(392, 4, 16))
    assert len(measured.coasts) == 6
    assert measured.a_n == pytest.approx(WREN.a_n, abs=measured.half_widths[0])
    assert measured.a_n == pytest.approx(WREN.a_n, rel=0.05)
    assert measured.c_n_per_mps2 == pytest.approx(WREN.c_n_per_mps2, rel=0.03)
    assert measured.stretches[0].grade == pytest.approx(0.001, abs=2e-4)
    rolling, rolling_sigma = measured.rolling_coefficient
    assert rolling == pytest.approx(55 / (392 * GRAVITY), abs=3 * rolling_sigma + 1e-4)
    area, area_sigma = measured.drag_area_m2
    assert area == pytest.approx(2 * 0.36 / measured.density_kg_per_m3, abs=3 * area_sigma)


def test_wind_along_the_road_is_found_and_taken_off() -> None:
    rng = np.random.default_rng(2)
    measured = fit(formula_coasts(rng, 55, 0, 0.36, 392, 16, wind_mps=2.0), WREN_MASS, density_sigma=0)
    wind, sigma = measured.stretches[0].wind_mps[""]
    assert wind == pytest.approx(2.0, abs=0.1)
    assert sigma < 0.1
    assert measured.a_n == pytest.approx(55, rel=0.02)  # C w^2 alone is 1.4 N


def test_a_windy_day_is_said() -> None:
    rng = np.random.default_rng(2)
    measured = fit(formula_coasts(rng, 55, 0, 0.36, 392, 16, wind_mps=3.5), WREN_MASS)
    assert any("good only up to 2.7 m/s" in said for said in measured.caveats)


def test_density_scales_drag_to_the_reference() -> None:
    rng = np.random.default_rng(3)
    thin = [
        Rolled(c.t_s, c.v_mps, c.direction_deg, c.east_m, density_kg_per_m3=1.0)
        for c in formula_coasts(rng, 55, 0, 0.30, 392, 16)
    ]
    measured = fit(thin, WREN_MASS, density_kg_per_m3=1.2)
    assert measured.c_n_per_mps2 == pytest.approx(0.36, rel=0.01)
    assert measured.drag_area_m2[0] == pytest.approx(0.6, rel=0.01)


def test_a_road_that_sags_is_told_where_coasts_start_at_different_places() -> None:
    rng = np.random.default_rng(11)
    coasts = rough_coasts(rng, 55, 0.36, 392, 16, pairs=8, even_sigma=0.004, gust_mps=0.02)
    measured = fit(coasts, WREN_MASS, density_sigma=0)
    assert measured.a_n == pytest.approx(55, abs=measured.half_widths[0])
    assert measured.half_widths[0] < 4


def test_mass_enters_as_it_must() -> None:
    rng = np.random.default_rng(5)
    coasts = formula_coasts(rng, 55, 0, 0.36, 392, 16)
    exact, vague = fit(coasts, WREN_MASS, density_sigma=0), fit(coasts, Mass(392, 40.8, 16, 0), density_sigma=0)
    assert vague.a_n == pytest.approx(exact.a_n)
    extra = math.sqrt(vague.covariance[0, 0] - exact.covariance[0, 0])
    assert extra == pytest.approx(0.1 * exact.a_n, rel=1e-6)
    assert vague.rolling_coefficient[1] == pytest.approx(exact.rolling_coefficient[1]), (
        "weight takes the mass off again"
    )


def test_b_on_request_costs_accuracy_and_hardly_moves_the_force() -> None:
    rng = np.random.default_rng(6)
    coasts = formula_coasts(rng, 55, 0, 0.36, 392, 16)
    without, with_b = fit(coasts, WREN_MASS), fit(coasts, WREN_MASS, with_b=True)
    assert without.b_n_per_mps == 0 and without.sigma[1] == 0
    assert math.sqrt(with_b.scatter[0, 0]) > 1.5 * math.sqrt(without.scatter[0, 0])
    for speed in (8.0, 15.0, 22.0):
        assert with_b.force(speed) == pytest.approx(float(without.force(speed)), rel=0.01)


def test_b_comes_back_where_there_is_one() -> None:
    rng = np.random.default_rng(7)
    measured = fit(formula_coasts(rng, 40, 1.5, 0.3, 392, 16), WREN_MASS, with_b=True)
    a, b, c = measured.half_widths
    assert measured.a_n == pytest.approx(40, abs=a)
    assert measured.b_n_per_mps == pytest.approx(1.5, abs=b)
    assert measured.c_n_per_mps2 == pytest.approx(0.3, abs=c)


def test_gaps_in_the_readings_do_no_harm() -> None:
    rng = np.random.default_rng(8)
    holed = []
    for coast in formula_coasts(rng, 55, 0, 0.36, 392, 16):
        keep = (coast.t_s < 12) | (coast.t_s > 15)
        holed.append(Rolled(coast.t_s[keep], coast.v_mps[keep], coast.direction_deg, coast.east_m))
    assert fit(holed, WREN_MASS).a_n == pytest.approx(55, rel=0.03)


def test_the_interval_method_agrees_within_its_error() -> None:
    agreed = []
    for seed in range(6):
        measured = fit(rough_coasts(np.random.default_rng(seed), 55, 0.36, 392, 16), WREN_MASS)
        assert measured.second is not None
        agreed.append(measured.second.agrees)
        for each in measured.second.intervals:
            if math.isnan(each.sigma_n):
                continue
            assert each.force_n == pytest.approx(float(measured.force(each.speed_mps)), abs=4 * each.sigma_n + 2)
    assert sum(agreed) >= 5


# --- refusals -----------------------------------------------------------------------------------------------------


def refusal(coasts: list[Rolled], **more: object) -> str:
    with pytest.raises(NoAnswer) as caught:
        fit(coasts, WREN_MASS, **more)  # type: ignore[arg-type]
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_one_direction_without_a_slope_is_refused_and_with_one_answered() -> None:
    rng = np.random.default_rng(9)
    coasts = formula_coasts(rng, 55, 0, 0.36, 392, 16, pairs=6, ways=(1,))
    assert "Coast back over the same stretch" in refusal(coasts)
    measured = fit(coasts, WREN_MASS, known_grade=0.003)
    assert measured.a_n == pytest.approx(55, abs=measured.half_widths[0])
    assert measured.half_widths[0] > 5, "0.1 % of slope alone is 3.8 N"
    assert any("All coasts went in one direction" in said for said in measured.caveats)


def test_nothing_is_refused() -> None:
    assert "no coasts" in refusal([])


def test_too_little_speed_is_refused() -> None:
    rng = np.random.default_rng(10)
    assert "too little to split rolling from drag" in refusal(
        formula_coasts(rng, 55, 0, 0.36, 392, 16, from_mps=14, to_mps=10)
    )


def test_what_cannot_be_split_is_refused_with_the_force_that_is_told() -> None:
    coasts = rough_coasts(
        np.random.default_rng(2),
        55,
        0.36,
        392,
        16,
        pairs=2,
        from_mps=15,
        to_mps=9.5,
        gust_mps=2.0,
        even_sigma=0.005,
        length_m=250,
    )
    said = refusal(coasts)
    assert "not how it splits" in said or "differ too much" in said


def test_few_coasts_are_answered_with_a_caveat() -> None:
    measured = fit(formula_coasts(np.random.default_rng(12), 55, 0, 0.36, 392, 16, pairs=1), WREN_MASS)
    assert any(said.startswith("With 2 coasts") for said in measured.caveats)


# --- intervals hold their rate ------------------------------------------------------------------------------------


def rate(seeds: range, pairs: int, **more: float) -> tuple[float, float]:
    """How often the 95 % intervals of A and C hold the truth: mass, rotating mass, road, wind and gusts all drawn."""
    hits = []
    for seed in seeds:
        rng = np.random.default_rng(seed)
        mass, rotating = rng.normal(392, 4), rng.normal(16, 4)
        coasts = rough_coasts(rng, 55, 0.36, mass, rotating, pairs=pairs, **more)
        try:
            measured = fit(coasts, Mass.of(392, 4, 16), density_sigma=0)
        except NoAnswer:
            continue
        a, _, c = measured.half_widths
        hits.append((abs(measured.a_n - 55) < a, abs(measured.c_n_per_mps2 - 0.36) < c))
    assert len(hits) >= 0.9 * len(seeds), "the coasts of such days must mostly be good enough"
    return float(np.mean([a for a, _ in hits])), float(np.mean([c for _, c in hits]))


def test_intervals_hold_their_rate_in_short() -> None:
    a, c = rate(range(10), 3)
    assert a >= 0.7 and c >= 0.7


@pytest.mark.long
@pytest.mark.timeout(3600)
@pytest.mark.parametrize(("pairs", "gust_s"), [(5, 12.0), (2, 12.0), (5, 30.0)])
def test_intervals_hold_their_rate_over_300_days(pairs: int, gust_s: float) -> None:
    a, c = rate(range(300), pairs, gust_s=gust_s)
    print(f"\n{pairs} pairs, gusts of {gust_s:g} s: A {a:.3f}, C {c:.3f}")
    assert 0.92 <= a <= 0.99
    assert 0.92 <= c <= 0.99


# --- the car's file -----------------------------------------------------------------------------------------------

CAR = Path(__file__).parents[4] / "configs" / "wren.toml"


def test_saving_keeps_comments_and_all_else_and_is_used_from_then_on(tmp_path: Path) -> None:
    path = tmp_path / "car.toml"
    path.write_text(CAR.read_text(encoding="utf-8"), encoding="utf-8")
    measured = fit(formula_coasts(np.random.default_rng(1), 55, 0, 0.36, 392, 16), Mass.of(392, 4, 16))
    save_road_load(measured, path, "20 coasts of 2026-05-03")
    first = path.read_text(encoding="utf-8")
    assert first.startswith(CAR.read_text(encoding="utf-8").rstrip())
    config = load(path, CarConfig)
    assert config.road_load is not None
    assert config.road_load.a_n == pytest.approx(measured.a_n, abs=0.01)
    assert config.road_load.a_sigma_n == pytest.approx(measured.half_widths[0] / 1.96, abs=0.01)
    road = of(config, measured.density_kg_per_m3)
    assert 392 * road.at(15.0) == pytest.approx(float(measured.force(15.0)), rel=1e-3)
    assert 392 * road.sigma(15.0) == pytest.approx(float(measured.half_width(15.0)) / 1.96, rel=0.03)
    assert road.source == "measured: 20 coasts of 2026-05-03"
    path.write_text(
        first.replace(f"mass_kg = {392.0}\n", "mass_kg = 392.0  # with the spare wheel\n"), encoding="utf-8"
    )
    save_road_load(measured, path, 'again # "quoted"')
    second = path.read_text(encoding="utf-8")
    assert "mass_kg = 392.0  # with the spare wheel" in second
    assert second.count("[road_load]") == first.count("[road_load]")
    assert load(path, CarConfig).road_load.measured == 'again # "quoted"'  # type: ignore[union-attr]
    assert list(tmp_path.iterdir()) == [path], "no draft is left behind"


def test_saving_in_the_middle_of_a_file_with_windows_line_ends(tmp_path: Path) -> None:
    path = tmp_path / "car.toml"
    text = "[road_load] # old\na_n = 1 # guess\nc_n_per_mps2 = 0.5\nair_density_kg_per_m3 = 1.2\nmass_kg = 300\n\n"
    text += '[car]\nname = "X"\nmass_kg = 300 # me too\ncooling = "air"\n'
    path.write_bytes(text.replace("\n", "\r\n").encode())
    measured = fit(formula_coasts(np.random.default_rng(1), 55, 0, 0.36, 392, 16), WREN_MASS)
    save_road_load(measured, path, "coasts")
    after = path.read_bytes().decode()
    assert "\n" not in after.replace("\r\n", "")
    assert "a_n = 5" in after and "# guess" in after and "mass_kg = 300 # me too" in after
    assert load(path, CarConfig).car.mass_kg == 300


def test_saving_into_what_is_no_car_file_is_refused_in_one_line(tmp_path: Path) -> None:
    path = tmp_path / "car.toml"
    path.write_text("[recorder]\n", encoding="utf-8")
    measured = fit(formula_coasts(np.random.default_rng(1), 55, 0, 0.36, 392, 16, pairs=3), WREN_MASS)
    with pytest.raises(ConfigError, match=r"car\.toml"):
        save_road_load(measured, path, "coasts")
    assert path.read_text(encoding="utf-8") == "[recorder]\n"


def test_what_is_left_out_is_kept_in_the_answer() -> None:
    left = [RejectedCoast(0, 20, 10, "held back")]
    measured = fit(formula_coasts(np.random.default_rng(1), 55, 0, 0.36, 392, 16, pairs=3), WREN_MASS, left_out=left)
    assert measured.left_out == left
