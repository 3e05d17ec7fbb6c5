"""Power between setups: the model held to scipy, to itself and to plain sums; full pulls told from part throttle; what
is said where little is known. False verdicts and coverage are judged by other worlds than these."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import multivariate_normal
from tuning.pull_worlds import M_PER_DEG, ROAD, World, asked, hills, season, tally

from analysis.changes import power_model
from analysis.changes.compare_power import compare_power
from analysis.changes.full_power import columns, full_power
from analysis.changes.power_model import PowerFit, PullRows, slope_part
from analysis.changes.season_pulls import SeasonPull, legs, rows_of_pulls, usual_power, with_learned_slopes
from analysis.road.slopes import Located
from analysis.runs.pulls import BAND_MPS

Floats = NDArray[np.float64]


def made(world: World = World(), design: str = "A-B-A", seed: int = 1) -> list[SeasonPull]:
    return season(world, design, np.random.default_rng([99, seed]))


def test_the_usual_power_is_that_of_starts_and_else_of_the_stronger_pulls() -> None:
    pulls = [replace(each, trusted=not each.rolling) for each in made()]
    band = int(pulls[-1].pull.band[0])
    alone = [replace(each, trusted=False) for each in pulls]
    for some, of in ((pulls, np.median), (alone, lambda told: np.quantile(told, 0.75))):
        asked_for = [each for each in some if each.trusted] or some
        told = [float(each.pull.log_power[each.pull.band == band][0]) for each in asked_for if band in each.pull.band]
        x, y = usual_power(some)
        assert y[np.argmin(np.abs(x - math.log((band + 0.5) * BAND_MPS)))] == pytest.approx(of(told), abs=1e-12)
        assert len(told) > 3


def rows_of(pulls: Sequence[SeasonPull]) -> PullRows:
    return rows_of_pulls(pulls, np.array(["AB".index(each.setup) for each in pulls]))[0]


@pytest.fixture(scope="module")
def small() -> PullRows:
    return rows_of(made(World(starts=2, rolling=3)))


# --- the model ----------------------------------------------------------------------------------------------------


def test_the_restricted_likelihood_is_that_of_error_contrasts_by_scipy(small: PullRows) -> None:
    """Patterson and Thompson: the density of K' y with K' X = 0, up to a constant; here by scipy's own normal."""
    fit = PowerFit(small, columns(small), 150.0)
    u, s, _ = np.linalg.svd(columns(small))
    k = u[:, int(np.sum(s > 1e-9 * s[0])) :]
    values = []
    for theta in (fit.mode, fit.mode + 0.3, fit.mode + np.array([0.5, -0.4, 0.0, 0.2, -0.3, 0.1])):
        covariance = fit.covariance.at(theta)
        by_scipy = multivariate_normal.logpdf(k.T @ small.y, cov=k.T @ covariance @ k)
        prior = power_model._log_priors(theta)[0]
        values.append(fit._log_posterior(fit.covariance, theta)[0] - prior - by_scipy)
    assert np.ptp(values) < 1e-6


def test_the_mode_is_one_and_the_gradient_points_to_it(small: PullRows) -> None:
    fit = PowerFit(small, columns(small), 150.0)
    at = fit.mode + np.array([0.2, 0.1, -0.2, 0.3, 0.0, -0.1])

    def slope(theta: Floats) -> Floats:
        return fit._information(fit.covariance, theta, fit._log_posterior(fit.covariance, theta)[1])[0]

    gradient = slope(at)
    for k in range(len(at)):
        step = np.eye(len(at))[k] * 1e-4
        up, down = (fit._log_posterior(fit.covariance, at + sign * step)[0] for sign in (1, -1))
        assert gradient[k] == pytest.approx((up - down) / 2e-4, rel=1e-3, abs=1e-4)
    assert np.abs(slope(fit.mode)).max() < 0.3


def test_every_part_is_a_covariance(small: PullRows) -> None:
    for part in [*power_model._grouped_parts(small), *(slope_part(small, each) for each in power_model.HILLS_M)]:
        assert part == pytest.approx(part.T)
        assert np.linalg.eigvalsh(part).min() > -1e-9 * max(np.trace(part), 1e-12)


def test_every_part_is_a_covariance_where_courses_are_known_in_part(small: PullRows) -> None:
    """As in a friend's pack, which has no course near the ends of a drive, and of receivers that give none at a crawl:
    of some runs every other band, of one run none."""
    unknown = (np.arange(len(small)) % 2 == 0) & (small.run % 2 == 0) | (small.run == small.run.max())
    rows = replace(small, **{
        name: np.where(unknown, np.nan, getattr(small, name)) for name in ("east_m", "north_m", "heading_deg")
    })  # fmt: skip
    for part in [*power_model._grouped_parts(rows), *(slope_part(rows, each) for each in power_model.HILLS_M)]:
        assert np.linalg.eigvalsh(part).min() > -1e-9 * max(np.trace(part), 1e-12)
    PowerFit(rows, columns(rows))


def test_every_part_ties_what_its_name_says(small: PullRows) -> None:
    run, leg, day, gust, wind = power_model._grouped_parts(small)
    away = np.abs(small.time_s[:, None] - small.time_s[None, :])
    for i, j in [(0, 1), (0, len(small) - 1), (len(small) // 2, len(small) - 2), (3, len(small) // 3)]:
        assert run[i, j] == (small.run[i] == small.run[j]) and leg[i, j] == (small.leg[i] == small.leg[j])
        assert day[i, j] == 1.0  # one outing
        gains = small.wind_gain[i] * small.wind_gain[j]
        assert gust[i, j] <= gains and (away[i, j] < 60 or gust[i, j] < 1e-4 * gains)
        turned = math.cos(math.radians(small.heading_deg[i] - small.heading_deg[j]))
        assert wind[i, j] == pytest.approx(gains * turned)
    hills = slope_part(small, 150.0)
    opposite = np.argwhere((np.abs(small.heading_deg[:, None] - small.heading_deg[None, :]) > 90) & (np.abs(
        small.north_m[:, None] - small.north_m[None, :]) < 100))  # fmt: skip
    assert len(opposite) and all(hills[i, j] < 0 for i, j in opposite)


def test_a_contrast_is_generalised_least_squares(small: PullRows) -> None:
    fit = PowerFit(small, columns(small), 150.0)
    x = columns(small)
    inverse = np.linalg.inv(fit.covariance.at(fit.mode))
    c = np.zeros(x.shape[1])
    c[-1] = 1.0
    covariance = np.linalg.inv(x.T @ inverse @ x)
    estimate, sigma = fit.at_mode(c)
    assert estimate == pytest.approx(float(c @ covariance @ x.T @ inverse @ small.y), abs=1e-9)
    assert sigma == pytest.approx(math.sqrt(float(c @ covariance @ c)), rel=1e-6)
    told = fit.contrast(c)
    assert told.centre == pytest.approx(estimate, abs=0.3 * sigma) and told.scale > 0.8 * sigma


def test_hills_cancel_where_both_setups_pulled_at_the_same_places() -> None:
    """A slope that belongs to the place, uphill one way and downhill the other, moves what is told by next to nothing;
    were it not signed by the direction, it would."""
    pulls = made(World(starts=0, rolling=10, apart_m=0.0, slope=0.0, gust=0.1, run=0.002, noise=0.02))
    rows = rows_of(pulls)
    sign = np.where(np.abs(rows.heading_deg) < 90, 1.0, -1.0)
    hill = 0.02 * np.sin(rows.north_m / 300.0)
    steep = replace(rows, y=rows.y - rows.slope_gain * sign * hill)
    c = np.zeros(columns(rows).shape[1])
    c[-1] = 1.0
    plain, tilted = (PowerFit(each, columns(each), 150.0).at_mode(c)[0] for each in (rows, steep))
    assert np.std(rows.slope_gain * hill) > 0.03
    assert tilted == pytest.approx(plain, abs=0.004)


def test_legs_are_stretches_of_an_outing_with_one_setup() -> None:
    pulls = made(World(starts=2, rolling=0))
    assert legs(pulls).tolist() == [leg for leg in range(3) for _ in range(2)]
    mixed = [pulls[k] for k in (5, 0, 3, 1, 4, 2)]
    assert legs(mixed).tolist() == [2, 0, 1, 0, 2, 1]
    later = [replace(each, outing=1) if each.drive == "d2" else each for each in pulls]
    assert len(set(legs(later))) == 3
    alike = [replace(each, parts={"jet": 0}) for each in pulls]
    assert set(legs(alike)) == {0}


# --- full pulls ---------------------------------------------------------------------------------------------------


def test_part_throttle_goes_and_full_pulls_stay() -> None:
    pulls = made(World(part=(0.3, 0.3), rolling=12), seed=5)
    throttles = _throttles(World(part=(0.3, 0.3), rolling=12), seed=5)
    kept, left = full_power(pulls)
    gone = {each.label for each in left}
    deep = [label for label, share in throttles.items() if share < 0.8]
    full = [label for label, share in throttles.items() if share == 1.0]
    assert len(deep) >= 5 and set(deep) <= gone
    assert len(full) >= 20 and len(set(full) & gone) <= 1
    assert len(kept) + len(left) == len(pulls)
    assert all("not at full throttle" in each.reason for each in left)


def _throttles(world: World, seed: int) -> dict[str, float]:
    """What the throttle was at, by what power came out: the same season with full throttle everywhere beside it."""
    full = {each.label: each for each in made(replace(world, part=(0.0, 0.0)), seed=seed)}
    out = {}
    for each in made(world, seed=seed):
        same = full[each.label].pull
        both = np.intersect1d(each.pull.band, same.band)
        if not each.rolling or not len(both):
            continue
        mine, its = (float(np.mean(p.power[np.isin(p.band, both)])) for p in (each.pull, same))
        out[each.label] = 1.0 if abs(mine / its - 1) < 0.03 else mine / its
    return out


def test_a_setup_that_lost_eight_per_cent_keeps_its_own_pulls() -> None:
    """Held against all setups together, a loss looks like part throttle, and the slowest pulls of it would go."""
    pulls = made(World(effect=-0.08), seed=7)
    _, left = full_power(pulls)
    of_b = [each for each in pulls if each.setup == "B"]
    assert len([each for each in left if each.label in {one.label for one in of_b}]) <= 1
    found = asked(pulls)
    assert found.verdict == "less power" and found.overall.change == pytest.approx(-0.08, abs=0.025)


def test_a_recorded_throttle_goes_before_what_the_power_says() -> None:
    pulls = made(seed=3)
    rolling = [each for each in pulls if each.rolling]
    shut = replace(rolling[0], pull=replace(rolling[0].pull, throttle=0.5))
    weak = replace(rolling[1].pull, throttle=1.0, rate=0.6 * rolling[1].pull.rate)
    opened = replace(rolling[1], pull=weak)
    given = [shut if each is rolling[0] else opened if each is rolling[1] else each for each in pulls]
    kept, left = full_power(given)
    assert [each.label for each in left if "50% of its full travel" in each.reason] == [shut.label]
    assert opened.label in {each.label for each in kept}


def test_a_short_drive_away_that_counts_as_a_run_is_no_full_pull() -> None:
    """A run is only told from part throttle over three bands of speed: one that ends before is asked here."""
    pulls = made(seed=3)
    last = [replace(each, trusted=True) if not each.rolling else each for each in pulls]
    k = next(i for i, each in enumerate(last) if not each.rolling)
    gentle = replace(last[k], pull=replace(last[k].pull, rate=0.1 * last[k].pull.rate))
    kept, left = full_power([*last[:k], gentle, *last[k + 1 :]])
    assert gentle.label in {each.label for each in left}
    assert {each.label for each in last if not each.rolling} - {gentle.label} <= {each.label for each in kept}


def test_a_throttle_that_is_nearly_open_leaves_it_to_the_power() -> None:
    """Of two pulls at 93 %, the one that gives a sixth less than the rest is none, and the other counts."""
    pulls = made(seed=3)
    rolling = [each for each in pulls if each.rolling]
    low = replace(rolling[1].pull, throttle=0.93, rate=0.8 * rolling[1].pull.rate)
    nearly = {rolling[0].label: replace(rolling[0].pull, throttle=0.93), rolling[1].label: low}
    kept, left = full_power([replace(each, pull=nearly.get(each.label, each.pull)) for each in pulls])
    assert rolling[1].label in {each.label for each in left}
    assert rolling[0].label in {each.label for each in kept}


def test_a_mixture_as_lean_as_gentle_pulls_is_no_full_throttle() -> None:
    """By the setup's own mixture: a jet that leans out full throttle throws no pull out."""
    given = []
    for k, each in enumerate(made(World(part=(0.5, 0.5), rolling=20), seed=2)):
        rich = 11.8 if each.setup == "A" else 13.4
        value = rich + 0.1 * (k % 3 - 1)
        given.append(replace(each, pull=replace(each.pull, mixture=value)))
    gentle = {each.label for each in full_power(given)[1]}
    lean = {"A": 14.2, "B": 15.6}
    marked = [
        replace(each, pull=replace(each.pull, mixture=lean[each.setup])) if each.label in gentle else each
        for each in given
    ]
    odd = next(each for each in marked if each.rolling and each.label not in gentle and each.setup == "B")
    marked = [replace(each, pull=replace(each.pull, mixture=15.5)) if each is odd else each for each in marked]
    reasons = {each.label: each.reason for each in full_power(marked)[1]}
    assert "as lean as gentle pulls" in reasons[odd.label]
    assert set(reasons) - gentle == {odd.label}


# --- what is told -------------------------------------------------------------------------------------------------


def test_a_change_is_told_with_its_seconds_and_groups() -> None:
    found = asked(made(World(effect=0.08), seed=4))
    one = found.overall
    assert found.verdict == "more power" and one.low < 0.08 < one.high and found.days == "cancelled"
    assert f"B has more power than A. It gains {one.change:.1%}" in found.sentence
    less = asked(made(World(effect=-0.08), seed=4))
    assert less.verdict == "less power" and less.overall.change < 0
    assert f"B has less power than A. It loses {-less.overall.change:.1%}" in less.sentence
    assert [round(each.from_mps / 0.44704) for each in found.groups] == [20, 30, 40]
    assert all(each.low < each.change < each.high for each in found.groups)
    assert found.seconds is not None and found.seconds.difference_s < 0
    assert found.seconds.low_s < found.seconds.difference_s < found.seconds.high_s < 0
    assert found.starts == (8, 4) and found.rolling[1] == 10
    assert found.detectable < found.detectable_by_starts


def test_seconds_are_the_change_integrated_again() -> None:
    """By the trapezium rule of the test's own, from the sums that the answer is made of."""
    pulls = made(World(effect=0.08), seed=4)
    found = asked(pulls)
    assert found.seconds is not None
    low, high = found.seconds.from_mps, found.seconds.to_mps
    v = np.linspace(low, high, 4001)
    full = [each for each in pulls if each.setup == "A"]
    bands = sorted({int(b) for each in full for b in each.pull.band})
    level = [np.median([p.pull.power[p.pull.band == b][0] for p in full if b in p.pull.band]) for b in bands]
    power = np.interp(v, (np.array(bands) + 0.5) * 2.2352, level)

    def time(share: float) -> float:
        return float(np.sum(1.04 * v / (power * share - ROAD.at(v) * v)) * (v[1] - v[0]))

    assert found.seconds.a_s == pytest.approx(time(1.0), rel=0.08)  # by plain medians, hills in them
    expected = time(1 + found.overall.change) - time(1.0)
    assert found.seconds.difference_s == pytest.approx(expected, rel=0.15)


def test_the_other_way_round_says_the_opposite() -> None:
    pulls = made(World(effect=0.04), seed=6)
    a, b = ([each for each in pulls if each.setup == name] for name in "AB")
    there, back = compare_power("A", a, "B", b, road=ROAD), compare_power("B", b, "A", a, road=ROAD)
    assert back.overall.change == pytest.approx(1 / (1 + there.overall.change) - 1, abs=2e-3)
    assert back.overall.high - back.overall.low == pytest.approx(there.overall.high - there.overall.low, rel=0.1)


def test_too_few_pulls_and_days_that_nobody_repeated_are_said() -> None:
    pulls = made(World(starts=2, rolling=0))
    a, b = ([each for each in pulls if each.setup == name] for name in "AB")
    few = compare_power("A", a, "B", b, judge=False)
    assert few.verdict == "too few pulls" and "1 more of B" in few.sentence and math.isnan(few.overall.low)
    apart = asked([each for each in made(World(day=0.0), "weekly") if each.outing != 1])
    assert apart.days == "assumed" and apart.verdict == "too few pulls"
    assert "different days" in apart.sentence and "One outing with both" in apart.sentence
    within, without = asked(made(World(day=0.0))).overall, apart.overall
    assert without.high - without.low > 1.5 * (within.high - within.low)


def test_sides_that_share_no_speed_are_not_compared() -> None:
    pulls = made(World(starts=4, rolling=0))
    slow, quick = [], []
    for each in pulls:
        low = each.pull.band < 6
        (slow if each.setup == "A" else quick).append(_some(each, low if each.setup == "A" else ~low))
    found = compare_power("A", slow, "B", quick, judge=False)
    assert found.verdict == "too few pulls" and "the same range of speeds" in found.sentence


def _some(each: SeasonPull, keep: NDArray[np.bool_]) -> SeasonPull:
    names = ("band", "time_s", "seconds", "speed_mps", "rate", "lat_deg", "lon_deg", "heading_deg", "way_m")
    arrays = {name: getattr(each.pull, name)[keep] for name in names}
    return replace(
        each, pull=replace(each.pull, rate_covariance=each.pull.rate_covariance[np.ix_(keep, keep)], **arrays)
    )


def test_pulls_without_a_place_are_taken_with_hills_unknown() -> None:
    pulls = made(seed=8)
    blind = []
    for each in pulls:
        nan = np.full(len(each.pull.band), math.nan)
        lost = replace(each.pull, lat_deg=nan, lon_deg=nan, heading_deg=nan)
        blind.append(replace(each, pull=lost))
    with_places, without = asked(pulls, judge=False).overall, asked(blind, judge=False).overall
    assert math.isfinite(without.low)
    assert without.high - without.low > with_places.high - with_places.low


def test_standard_air_is_each_pulls_own_factor() -> None:
    pulls = made(seed=9)
    warm = [replace(each, factor=1.03 if each.setup == "B" else 1.0) for each in pulls]
    a, b = ([each for each in warm if each.setup == name] for name in "AB")
    raw, fair = (compare_power("A", a, "B", b, corrected=c, judge=False) for c in (False, True))
    assert fair.corrected and not raw.corrected
    assert fair.overall.change - raw.overall.change == pytest.approx(0.03, abs=0.004)
    one = [replace(a[0], factor=math.nan), *a[1:]]
    assert not compare_power("A", one, "B", b, corrected=True, judge=False).corrected


@pytest.mark.long
@pytest.mark.parametrize(
    ("design", "world"),
    [
        ("A-B-A", World()), ("A-B-A", World(leg=0.0)), ("A-B-A", World(rolling=0)), ("A-B-A", World(part=(0.3, 0.1))),
        ("weekly", World()), ("one repeat", World(day=0.02)),
    ],
    ids=str,
)  # fmt: skip
def test_false_verdicts_stay_within_one_in_twenty_on_the_worlds_it_was_tuned_on(design: str, world: World) -> None:
    """A guard, no judge: 100 seasons without a change; 5 and luck."""
    told = tally(world, design, 100)
    assert told["told"] <= 10 and told["covered"] >= 90 and abs(told["bias"]) < 0.4


class KnownHills:
    """The road of a tuning world as if its slope were known to 0.01 %: by closed form, not learned."""

    def __init__(self, world: World, rng: np.random.Generator) -> None:
        self.phase, self.wave, self.size = hills(world, rng)
        self.roads = self

    def locate(self, lat_deg: Floats, lon_deg: Floats, heading_deg: Floats) -> Located:
        sense = np.where(np.cos(np.radians(heading_deg)) > 0, 1.0, -1.0)
        return Located(np.zeros(lat_deg.shape, np.int64), (lat_deg - 45) * M_PER_DEG, sense)

    def passed(self, at: Located) -> NDArray[np.int64]:
        return np.full(at.road.shape, 6)

    def slope(self, at: Located, weights: Floats) -> tuple[Floats, Floats]:
        slopes = self.size * np.sin(at.way_m[..., None] * self.wave + self.phase).sum(axis=-1) * at.sense
        return slopes @ weights, 1e-8 * np.eye(len(slopes))


def test_hills_that_do_not_cancel_are_taken_off_where_they_are_known() -> None:
    world = World(run=0.0, day=0.0, leg=0.0, wind=0.0, gust=0.0, noise=0.01, elsewhere_m=9000.0)
    pulls = season(world, "A-B-A", np.random.default_rng([41, 1]))
    known = KnownHills(world, np.random.default_rng([41, 1]))
    rows = rows_of(pulls)
    told, share, passes = with_learned_slopes(rows, pulls, known)  # type: ignore[arg-type]
    assert share == 1.0 and passes == (6, 6) and not told.slope_gain.any()

    def scatter(each: PullRows) -> float:
        return float(np.std([y - np.mean(each.y[each.band == k]) for y, k in zip(each.y, each.band, strict=True)]))

    assert scatter(told) < 0.3 * scatter(rows)
    a, b = ([each for each in pulls if each.setup == name] for name in "AB")
    blind = compare_power("A", a, "B", b, judge=False)
    found = compare_power("A", a, "B", b, judge=False, learned=lambda: known)  # type: ignore[arg-type, return-value]
    assert found.overall.high - found.overall.low < 0.8 * (blind.overall.high - blind.overall.low)
    assert abs(found.overall.change) < 0.01
    assert any("do not cancel" in each for each in blind.caveats)
    assert any("corrected as well as the altitude of 6 passes" in each for each in found.caveats)


def test_the_fewest_and_the_most_passes_are_told_of_the_hills_taken_off() -> None:
    class Uneven(KnownHills):
        def passed(self, at: Located) -> NDArray[np.int64]:
            """Four of every fifth row, and from six to nine of the others."""
            rows = np.arange(len(at.road))
            return np.broadcast_to(np.where(rows % 5, 5 + rows % 5, 4)[:, None], at.road.shape)

    world = World(elsewhere_m=9000.0)
    pulls = season(world, "A-B-A", np.random.default_rng([41, 1]))
    known = Uneven(world, np.random.default_rng([41, 1]))
    assert with_learned_slopes(rows_of(pulls), pulls, known)[2] == (4, 9)  # type: ignore[arg-type]
    a, b = ([each for each in pulls if each.setup == name] for name in "AB")
    found = compare_power("A", a, "B", b, judge=False, learned=lambda: known)  # type: ignore[arg-type, return-value]
    assert any("as well as the altitude of 4 to 9 passes there" in each for each in found.caveats)


def test_where_both_pulled_at_one_place_no_altitude_is_asked() -> None:
    def asked() -> None:
        raise AssertionError("asked for altitude")

    pulls = season(World(), "A-B-A", np.random.default_rng([41, 2]))
    a, b = ([each for each in pulls if each.setup == name] for name in "AB")
    assert compare_power("A", a, "B", b, judge=False, learned=asked).overall.told
