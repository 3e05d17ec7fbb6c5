"""The faults that are planted: what a tired programmer might write in the glue between computing and showing."""

from __future__ import annotations

from faults.of_packs import PACKS
from faults.of_verdicts import VERDICTS
from faults.planted import Fault

A = "analysis/answers/"
C = "analysis/cli/"
UNIT = "tests/unit/analysis/"
SEASON_KEPT = (UNIT + "changes/test_season_kept.py",)
RUNS = (UNIT + "answers/test_runs.py", UNIT + "answers/test_runs_odd_roads.py")
COMPARE = (UNIT + "answers/test_compare.py", UNIT + "cli/test_cli_compare.py")
SEASON = (UNIT + "answers/test_season.py", UNIT + "cli/test_cli_compare.py")
MIXTURE = (UNIT + "answers/test_mixture.py",)
JETS = (UNIT + "answers/test_jets.py",)
FUEL = (UNIT + "answers/test_fuel.py",)
LESSONS = (UNIT + "test_lessons.py",)
BOARD = (UNIT + "answers/test_runs_board.py", UNIT + "runs/test_board_start.py", UNIT + "motion/test_board.py")
LAUNCHES = (UNIT + "runs/test_launches.py",)
HEIGHTS = (UNIT + "motion/test_heights.py",)
STOPS = (UNIT + "motion/test_stop_likelihood.py", UNIT + "motion/test_receiver.py")
COAST = (UNIT + "answers/test_coast.py",)
POWER = (UNIT + "changes/test_power.py", UNIT + "changes/test_power_season.py")
PULLS = (UNIT + "runs/test_pulls.py",)
ROADS = (UNIT + "road/test_slopes.py", UNIT + "answers/test_road_grade.py")
POWER_SAID = (UNIT + "answers/test_power.py",)

FAULTS: tuple[Fault, ...] = (
    # runs and strike
    Fault("strike writes nothing", A + "runs.py", "if not undo:\n        kept += [", "if undo:\n        kept += [", RUNS),
    Fault("a struck run counts", "analysis/drive.py", "return run.clean and self.struck(run) is None and", "return run.clean and", RUNS),
    Fault("a broken run counts", "analysis/drive.py", "return run.clean and self.struck(run) is None", "return self.struck(run) is None", RUNS),
    Fault("first movement printed under one foot", C + "runs.py", "_print_times(out, standing, title, _from_one_foot)", "_print_times(out, standing, title, _from_first)", RUNS),
    Fault("time and its sigma swapped", A + "timed_run.py", "time_s=split.time_s,\n        sigma_s=split.sigma_s,", "time_s=split.sigma_s,\n        sigma_s=split.time_s,", RUNS),
    Fault("one-foot sigma is that of first movement", A + "timed_run.py", "from_one_foot_sigma_s=split.from_one_foot_sigma_s,\n        from_threshold_s", "from_one_foot_sigma_s=split.sigma_s,\n        from_threshold_s", RUNS),
    Fault("the star on the wrong runs", C + "runs.py", 'return f"{run.n}" if run.counted else f"{run.n}*"', 'return f"{run.n}*" if run.counted else f"{run.n}"', RUNS),
    Fault("best and median swapped in runs --all", C + "runs.py", "number(each.best_s), number(each.median_s)", "number(each.median_s), number(each.best_s)", RUNS),
    Fault("setup filter turned round", A + "runs.py", "drive.setup_name.casefold() == setup.casefold())", "drive.setup_name.casefold() != setup.casefold())", RUNS),
    Fault("since taken for until", A + "runs.py", "started_utc.date() >= since", "started_utc.date() <= since", RUNS),
    Fault("grade sign turned round", A + "timed_run.py", '"grade_percent": run.grade.percent,', '"grade_percent": -run.grade.percent,', RUNS),
    Fault("a gap is told from the drive's start", A + "timed_run.py", "RunGap(start_s=gap.start_s - run.start_s,", "RunGap(start_s=gap.start_s,", RUNS),
    Fault("runs that do not count are paired", A + "runs.py", "pair_opposite([run for run in found if drive.counts(run)])", "pair_opposite(list(found))", RUNS),
    Fault("why a run cannot have been is not told", A + "timed_run.py", '"implausible": run.why_not,', '"implausible": None,', RUNS),
    Fault("the doubt of the receiver is the sigma of the run", A + "timed_run.py", "systematic_s=split.systematic_s", "systematic_s=split.sigma_s", RUNS),
    # compare
    Fault("A and B swapped in the table", C + "compare.py", 'number(split.a_s), number(split.b_s),', 'number(split.b_s), number(split.a_s),', COMPARE),
    Fault("raw means under the heading corrected", A + "compare.py", "a_s=judged.mean_a_s,\n        b_s=judged.mean_b_s,\n        mean_a_s=split.raw.mean_a_s", "a_s=split.raw.mean_a_s,\n        b_s=split.raw.mean_b_s,\n        mean_a_s=split.raw.mean_a_s", COMPARE),
    Fault("corrected means are raw ones", A + "compare.py", "mean_a_corrected_s=split.corrected.mean_a_s if", "mean_a_corrected_s=split.raw.mean_a_s if", COMPARE),
    Fault("raw difference for the corrected one", A + "compare.py", "raw=_difference(split.raw),", "raw=_difference(split.judged),", COMPARE),
    Fault("days and runs intervals swapped", C + "compare.py", 'short_span(split.low_s, split.high_s),', 'short_span(split.run_low_s, split.run_high_s),', COMPARE),
    Fault("ends of the interval swapped", A + "compare.py", "low_s=interval.low,\n        high_s=interval.high,\n        run_low_s=interval.run_low,\n        run_high_s=interval.run_high,\n        alone", "low_s=interval.high,\n        high_s=interval.low,\n        run_low_s=interval.run_low,\n        run_high_s=interval.run_high,\n        alone", COMPARE),
    Fault("trace judged raw", A + "compare.py", "a_s=judged.mean_a_s,\n        b_s=judged.mean_b_s,\n        mean_a_s=band.raw.mean_a_s", "a_s=band.raw.mean_a_s,\n        b_s=band.raw.mean_b_s,\n        mean_a_s=band.raw.mean_a_s", COMPARE),
    Fault("faster taken for slower", "analysis/changes/verdicts.py", "word = words[0] if interval.high < 0 else words[1]", "word = words[1] if interval.high < 0 else words[0]", COMPARE),
    Fault("conditions of A for B", A + "compare.py", "b=_conditions(found.conditions_b)", "b=_conditions(found.conditions_a)", COMPARE),
    Fault("a correction factor inverted", "analysis/changes/gathering.py", "_corrected(mine, air.factors[factor], day, standard)", "_corrected(mine, 1 / air.factors[factor], day, standard)", COMPARE),
    Fault("day's and standard air swapped", "analysis/changes/gathering.py", "_corrected(mine, air.factors[factor], day, standard)", "_corrected(mine, air.factors[factor], standard, day)", COMPARE),
    Fault("headwind turned round", "analysis/conditions/weather.py", "def headwind(wind_mps: float, wind_from_deg: float, direction_deg: float) -> float:", "def headwind(wind_mps: float, direction_deg: float, wind_from_deg: float) -> float:\n    wind_from_deg += 180", COMPARE),
    # slopes learned from altitude
    Fault("a learned hill is felt alike both ways", "analysis/road/slopes.py", " * np.outer(at.sense, other.sense)", "", ROADS),
    Fault("one pass tells a slope", "analysis/road/slopes.py", "LEAST_PASSES = 3", "LEAST_PASSES = 1", ROADS),
    Fault("the grade of the road for that of the run's own altitude", A + "timed_run.py", '"road_grade_percent": road.percent if', '"road_grade_percent": run.grade.percent if', ROADS),
    Fault("a drive's roads are told by those after it", "analysis/store.py", "together[max(count - _PASSED_BEFORE, 0) : count]", "[each for each in together if each.drive is not drive]", ROADS),
    Fault("wander told too small, from means over a step", "analysis/road/slopes.py", "size**2 * np.exp(-group.lag_s / time)", "0.6 * size**2 * np.exp(-group.lag_s / time)", ROADS),
    # power by every full pull
    Fault("a hill is felt alike both ways", "analysis/changes/power_model.py", "    turned = np.cos(heading[:, None] - heading[None, :])\n    felt", "    turned = np.abs(np.cos(heading[:, None] - heading[None, :]))\n    felt", POWER),
    Fault("no leg in the model", "analysis/changes/power_model.py", "_same(rows.run), _same(rows.leg), outing", "_same(rows.run), outing, outing", POWER),
    Fault("a wind that blows along with everybody", "analysis/changes/power_model.py", "wind * turned * outing]", "wind * outing]", POWER),
    Fault("legs by drive and not by setup", "analysis/changes/season_pulls.py", "not alike(pull.parts, before.parts)", "pull.drive != before.drive", POWER),
    Fault("standard air from the air of the first pull", "analysis/changes/season_pulls.py", "[each.factor if corrected else 1.0 for each in pulls]", "[pulls[0].factor if corrected else 1.0 for each in pulls]", POWER),
    Fault("A and B swapped in power", "analysis/changes/compare_power.py", "wanted[bands] = 1.0  # B less A", "wanted[bands] = -1.0  # B less A", POWER),
    Fault("part throttle counts", "analysis/changes/season_record.py", "return full_power(self.pulls)", "return list(self.pulls), []", POWER),
    Fault("the part-throttle pulls are kept and the full ones go", "analysis/changes/full_power.py", 'found = asked & (chance > 0.5)', 'found = asked & (chance < 0.5)', POWER),
    Fault("the recorded throttle of a pull is not asked", "analysis/changes/full_power.py", "if math.isfinite(each.pull.throttle):", "if False:", POWER),
    Fault("a throttle nearly open is taken for full", "analysis/changes/full_power.py", "WIDE_OPEN = 0.97", "WIDE_OPEN = 0.9", POWER),
    Fault("each drive by its own car's road load", "analysis/changes/gathering.py", "car = newest[car_key(drive.car.car.name)] if drive.car is not None else None", "car = drive.car", POWER),
    Fault("pulls of runs that do not count enter", "analysis/changes/season_pulls.py", "elif each.rolling or (mine is not None and mine.slow):", "else:", POWER),
    Fault("what was pulled in a struck run enters", "analysis/changes/season_pulls.py", "if before and before[-1].struck and", "if False and", POWER),
    Fault("a rolling pull bears the tags of either run", "analysis/changes/season_pulls.py", "set.intersection(*beside), set.union(*beside)", "set.union(*beside), set.union(*beside)", POWER),
    Fault("what was pulled after a drive away at part throttle stays out", "analysis/changes/season_pulls.py", "elif each.rolling or (mine is not None and mine.slow):", "elif each.rolling:", POWER),
    Fault("a passenger looks like a loss of power", "analysis/changes/power_model.py", " + rows.tags @ rows.tags.T * TAG_SHARE**2", "", POWER),
    Fault("the masses of A and B swapped", "analysis/changes/power_sides.py", "first, second = (float(np.mean(side))", "second, first = (float(np.mean(side))", POWER),
    Fault("what a hill took off is taken off again", "analysis/changes/season_pulls.py", "y=rows.y + gain * mean", "y=rows.y - gain * mean", POWER),
    Fault("hills are taken off where they cancel", "analysis/changes/compare_power.py", "if _matched(rows) >= _MATCHED:", "if _matched(rows) < _MATCHED:", POWER),
    Fault("the roads are learned of the newest drives alone", "analysis/changes/power_sides.py", "key=lambda drive: drive.id in mine)", "key=lambda drive: True)", POWER),
    Fault("rolling pulls stay whatever tag is asked for", "analysis/changes/season_record.py", "        and not any(tag in each.near_tags for tag in lacking)\n", "", POWER),
    Fault("seconds of the wrong sign", "analysis/changes/compare_power.py", "time(overall.change) - plain", "plain - time(overall.change)", POWER),
    Fault("the foot on its way is read", "analysis/runs/pulls.py", "_NEAR_MOST, _STEP_S = 0.7, 2.0", "_NEAR_MOST, _STEP_S = 0.0, 2.0", PULLS),
    Fault("strays are read", "analysis/runs/pulls.py", "sure = motion.trust[within] > 0.5", "sure = motion.trust[within] > -1", PULLS),
    Fault("a pause is bridged", "analysis/runs/pulls.py", "    for gap in motion.gaps:", "    for gap in motion.gaps[:0]:", PULLS),
    Fault("noise that wanders taken for white", "analysis/runs/pulls.py", "weights @ wander_covariance(t, motion.noise) @ weights.T", "weights @ (np.eye(len(t)) * motion.noise.sigma_mps**2) @ weights.T", PULLS),
    Fault("rotating parts left out of a pull", "analysis/runs/pulls.py", "np.maximum((1 + road.rotating) * self.rate + taken", "np.maximum(self.rate + taken", PULLS),
    Fault("ends of the interval of power swapped", A + "power_change.py", '"low": overall.low,\n        "high": overall.high,', '"low": overall.high,\n        "high": overall.low,', POWER_SAID),
    Fault("starts of A told as B's", A + "power_change.py", '"starts_b": found.starts[1],', '"starts_b": found.starts[0] + 1,', POWER_SAID),
    # season, drives, effects, plan
    Fault("best taken for worst", "analysis/changes/sides.py", "float(times.min()), float(np.median(times))", "float(times.max()), float(np.median(times))", SEASON),
    Fault("typical is the best", "analysis/changes/sides.py", "float(times.min()), float(np.median(times))", "float(times.min()), float(times.min())", SEASON),
    Fault("best and typical swapped in season", C + "season.py", 'number(each.best_s) + (" *" if each.personal_best else ""), number(each.typical_s),', 'number(each.typical_s) + (" *" if each.personal_best else ""), number(each.best_s),', SEASON),
    Fault("best and typical swapped in drives", C + "season.py", 'str(each.runs), number(each.best_s), number(each.typical_s),', 'str(each.runs), number(each.typical_s), number(each.best_s),', SEASON),
    Fault("the personal best marked elsewhere", A + "season.py", "any(run.label == best.label for run in side.runs)", "not any(run.label == best.label for run in side.runs)", SEASON),
    Fault("changed against the first setup", A + "season.py", "before = each.setup.parts\n    return", "before = season.setups[0].setup.parts\n    return", SEASON),
    Fault("weather asked for where it is", A + "drives.py", "not math.isfinite(", "math.isfinite(", SEASON),
    Fault("richer taken for leaner in effects", C + "compare.py", '("richer", "leaner")', '("leaner", "richer")', (UNIT + "answers/test_effects.py", *COMPARE)),
    Fault("from and to of a part swapped", A + "effects.py", "from_=each.base, to=each.value", "from_=each.value, to=each.base", (UNIT + "answers/test_effects.py", *COMPARE)),
    Fault("mixture effects shown as fuel", A + "effects.py", "fuel=_figure_effects(fuel)", "fuel=_figure_effects(mixture)", (UNIT + "answers/test_effects.py", *COMPARE)),
    Fault("an untangled plan for a tangled season", A + "effects.py", "tangled=tuple(tuple(group) for group in times.design.tangled)", "tangled=()", (UNIT + "answers/test_effects.py", *COMPARE)),
    # what is kept
    Fault("kept times of another program", "analysis/kept.py", 'targets.model_dump(), program(),', 'targets.model_dump(),', (UNIT + "test_kept.py",)),
    Fault("kept times of another car", "analysis/kept.py", 'drive.config_text, manifest.car, manifest.fuel', 'drive.config_text, manifest.fuel', (UNIT + "test_kept.py",)),
    Fault("a season kept together of another key is believed", "analysis/changes/season_pack.py", "if found is None or was != key:", "if found is None:", (UNIT + "test_kept.py",)),
    Fault("a season kept whole is of another time than its key", "analysis/changes/season_kept.py", "or now != self._key", "", SEASON_KEPT),
    Fault("a season is kept without the drives that could not be read", "analysis/changes/gathering.py", "and not store.unread", "", SEASON_KEPT),
    Fault("full pulls of one choice of runs pass for another's", "analysis/changes/season_kept.py", 'f"{self._name} {self._key}"', "self._key", SEASON_KEPT),
    Fault("numbers beside a kept season are believed unseen", "analysis/kept.py", 'if found is None or found["digest"] != _sha256(data):', "if found is None:", SEASON_KEPT),
    Fault("a fit of power of other rows of that shape", "analysis/changes/power_kept.py", ".encode() + np.ascontiguousarray(value).tobytes())", ".encode())", (UNIT + "changes/test_power_kept.py",)),
    Fault("times of other runs of that number", "analysis/changes/observations.py", "asked = tuple(map(id, runs))", "asked = (len(runs),)", (UNIT + "changes/test_observations.py",)),
    Fault("a kept answer forgets the manifest", "analysis/answers/kept_answer.py", "(key, manifest, sorted", "(key, sorted", (UNIT + "answers/test_kept_answer.py",)),
    Fault("a kept answer outlives the drives that passed its roads", "analysis/answers/kept_answer.py", "sorted(drive.part_throttle.items()), before)", "sorted(drive.part_throttle.items()))", ROADS),
    Fault("a kept answer forgets what was asked", "analysis/answers/kept_answer.py", "kept.digest_of_values(asked)", "kept.digest_of_values()", (UNIT + "answers/test_kept_answer.py",)),
    Fault("kept times and sigmas swapped", "analysis/changes/season_rows.py", '("time_s", "double", "s", "time to it from one foot of movement"),\n        ("sigma_s",', '("sigma_s", "double", "s", "time to it from one foot of movement"),\n        ("time_s",', (UNIT + "test_kept.py", *SEASON)),
    # what drives teach each other, and a board
    Fault("a drive is read with those after it", "analysis/store.py", "bisect.bisect_left(together, began, key=_began)", "len(together)", LESSONS),
    Fault("another car teaches", "analysis/runs/lessons.py", "return car_key(car), source.name,", "return source.name,", LESSONS),
    Fault("another receiver teaches", "analysis/runs/lessons.py", "source.name, source.kind, tuple(source.on_open), port", "tuple(source.on_open), port", LESSONS),
    Fault("kept times forget what taught them", "analysis/kept.py", "drive.targets, drive.taught.digest)", "drive.targets)", (UNIT + "test_kept.py",)),
    Fault("a lesson is not kept", "analysis/store.py", "kept.write_values(self.path, drive.id, _LESSON, key, lesson.as_json() if lesson else {})", "pass", LESSONS),
    Fault("a lesson that was spoilt is believed", "analysis/kept.py", ' and digest == _sha256(plain)', '', LESSONS),
    Fault("a drive teaches what it was taught", "analysis/runs/lessons.py", "return cls(motion.alone or motion.receiver, rounded)", "return cls(motion.receiver, rounded)", LESSONS),
    Fault("the habit is not used", "analysis/drive.py", "options, self.taught.habit)", "options)", LESSONS),
    Fault("a launch tells its own habit", "analysis/runs/rises.py", "_habit(np.delete(evidence, k, 0), before,", "_habit(evidence, before,", LAUNCHES),
    Fault("launches of a drive do not tell each other", "analysis/runs/finding.py", "launch.weighed(by) for", "launch for", LAUNCHES),
    Fault("a hold hides nothing of a launch", "analysis/runs/launch.py", "HIDDEN_S * max(noise.hold_mps / HIDDEN_BELOW_MPS, 1.0) if noise.hold_mps else 0.0", "0.0", LAUNCHES),
    Fault("a held height is measured", "analysis/motion/heights.py", "way[last] - way[first] > HELD_M", "way[last] - way[first] > 1e9", HEIGHTS),
    Fault("a height beyond any road is measured", "analysis/motion/heights.py", "(alt_m >= LOWEST_M) & (alt_m <= HIGHEST_M)", "np.isfinite(alt_m)", HEIGHTS),
    Fault("a standstill with a held height tells how heights wander", "analysis/motion/stretch.py", " and np.ptp(alt) != 0", "", HEIGHTS),
    Fault("nothing is asked from before a turn", "analysis/runs/evidence.py", "if readings.turns:", "if False:", LAUNCHES),
    Fault("works out lessons while recording", "analysis/store.py", "if known or self._kept_only:", "if known:", LESSONS),
    # the receiver
    Fault("a held zero is a reading of zero", "analysis/motion/stop_likelihood.py", 'y < 1e-9 and (noise.hold_mps or noise.kind == "clipped")', 'y < 1e-9 and noise.kind == "clipped"', STOPS),
    Fault("a stop's noise wanders no further near zero", "analysis/motion/stop_likelihood.py", "            p[-1, -1] += noise.wander_mps**2 * (1 - kept * kept)\n", "", STOPS),
    Fault("wander near zero is what wanders above it, and counted twice", "analysis/motion/stop_likelihood.py", "        covariance -= noise.wander_mps**2 * np.outer(last, last)\n", "", STOPS),
    Fault("a speed whose sign is hidden is as sure as one that is shown", "analysis/motion/stop_likelihood.py", "np.maximum(y * y - shown * shown, 0.0)", "np.zeros_like(at)", STOPS),
    Fault("a sudden change is as slow as the filter shows it", "analysis/motion/smoother.py", "out * np.sqrt((1 + left) / (1 - left))", "out", STOPS),
    Fault("a board moves one foot", "analysis/runs/board_start.py", "one_foot_s=run.one_foot_s - later,", "one_foot_s=run.one_foot_s,", BOARD),
    Fault("later taken for sooner", "analysis/runs/board_start.py", "replace(split, time_s=split.time_s - later,", "replace(split, time_s=split.time_s + later,", BOARD),
    Fault("g taken for m/s2", "analysis/motion/board_channels.py", 'QUANTITY_UNITS["acceleration"][channel.unit] * floats_in', "floats_in", BOARD),
    Fault("the board's delay put on twice", "analysis/motion/board.py", "readings.source, t - delay,", "readings.source, t - 2 * delay,", BOARD),
    Fault("a refused board is not told", A + "runs.py", "source=refused[0], used=False, why_not=refused[1],", 'source=refused[0], used=False, why_not="",', BOARD),
    Fault("who told first movement is not said", A + "timed_run.py", '"first_movement_by": run.time_zero_by or "fixes",', '"first_movement_by": "fixes",', BOARD),
    Fault("engine speed in turns a second", "analysis/drive.py", 'QUANTITY_UNITS["engine_speed"][unit] * S_PER_MINUTE', 'QUANTITY_UNITS["engine_speed"][unit]', BOARD),
    # mixture and jets
    Fault("in target turned round", "analysis/mixture/map.py", "return (Judgement.RICH if median < target.low else Judgement.IN_BAND), sure", "return (Judgement.IN_BAND if median < target.low else Judgement.RICH), sure", MIXTURE),
    Fault("tenths swapped", A + "mixture.py", "median=band.median, p10=band.p10, p90=band.p90", "median=band.median, p10=band.p90, p90=band.p10", MIXTURE),
    Fault("first and second drive swapped", A + "mixture.py", "first=change.first, second=change.second", "first=change.second, second=change.first", MIXTURE),
    Fault("the delay of the other drive", A + "mixture.py", "b_delay=_delay(b.delay)", "b_delay=_delay(a.delay)", MIXTURE),
    Fault("no caution where it is lean", A + "mixture.py", 'caution=LEAN_CAUTION if (Regime.FULL, Judgement.LEAN) in judged else ""', 'caution=""', MIXTURE),
    Fault("chances of a jet swapped", A + "jets.py", "chance_in=expected.chance_in, chance_lean=expected.chance_lean", "chance_in=expected.chance_lean, chance_lean=expected.chance_in", JETS),
    Fault("a forbidden jet allowed", A + "jets.py", "allowed=expected.allowed", "allowed=not expected.allowed", JETS),
    # fuel, coasts
    Fault("fuel is not kept", C + "fuel.py", "    keep_fuel(drive, amount)\n", "", FUEL),
    Fault("forgetting forgets nothing", A + "fuel.py", 'had}", fuel=None)', 'had}", fuel=drive.drive.manifest.fuel)', FUEL),
    Fault("US gallons for imperial ones", A + "fuel.py", "mpg_imperial=mpg_imperial(loop.m3_per_m)", "mpg_imperial=mpg_us(loop.m3_per_m)", FUEL),
    Fault("distance by speed shown as by track", A + "fuel.py", "distance_by_track_m=way.track_m", "distance_by_track_m=way.doppler_m", FUEL),
    Fault("miles for kilometres", "analysis/wording.py", 'f"{metres / M_PER_MILE:.{decimals}f} mi" if unit == "mph"', 'f"{metres / M_PER_MILE:.{decimals}f} mi" if unit != "mph"', FUEL),
    Fault("rolling and drag swapped", C + "coast.py", 'f"{found.a_n:.1f} N", f"±{half.a_n:.1f}"', 'f"{found.c_n_per_mps2:.1f} N", f"±{half.a_n:.1f}"', COAST),
    Fault("coasts are not saved", A + "coast.py", "    if save is not None:\n        from", "    if save is None:\n        from", COAST),
    *VERDICTS,
    *PACKS,
)  # fmt: skip
