"""Faults of the verdict: what an owner's season once ran into, planted again. One or more for each thing found."""

from __future__ import annotations

from faults.planted import Fault

UNIT = "tests/unit/analysis/"
PULLS = UNIT + "changes/test_full_throttle.py::"
DAYS = UNIT + "changes/test_days.py"
COMPARED = UNIT + "changes/test_compare.py"
WORDS = UNIT + "conditions/test_vocabulary.py"
ASKED = UNIT + "cli/test_setup_asked.py"
JETS = UNIT + "mixture/test_jets.py"
TRAVEL = UNIT + "mixture/test_throttle_travel.py"
DOUBT = UNIT + "mixture/test_delay_doubt.py"
ADVICE = UNIT + "cli/test_one_advice.py"
PRIORS = UNIT + "changes/test_priors.py"
C = "analysis/changes/"

VERDICTS: tuple[Fault, ...] = (
    # traffic
    Fault("the median run tells full throttle", C + "full_throttle.py", "return float(known[min(1, len(known) - 1)]) if", "return float(known[len(known) // 2]) if", (PULLS + "test_eighteen_traffic_starts_a_drive_change_no_verdict",)),
    Fault("power and whatif count traffic", "analysis/answers/power.py", "    judge(store)  # once they are open: a drive that was cut off is closed by then\n", "", (PULLS + "test_all_verbs_count_the_same_runs",)),
    Fault("runs of one drive counts traffic", "analysis/cli/runs.py", "    judge(drives, say_progress)  # of one drive too: the car's envelope is the season's\n", "", (PULLS + "test_all_verbs_count_the_same_runs",)),
    Fault("a notebook counts traffic", "analysis/answers/runs.py", "    judge(store)\n", "", (PULLS + "test_all_verbs_count_the_same_runs",)),
    Fault("a headwind is part throttle", C + "full_throttle.py", "if way[i] and 1 < there < 1 + _WAYS and", "if False and", (PULLS + "test_a_headwind_is_no_part_throttle",)),
    Fault("a recorded throttle is not asked", C + "full_throttle.py", "if opening[i] < FULL_TRAVEL:", "if opening[i] < 0.3:", (PULLS + "test_a_recorded_throttle_settles_it",)),
    Fault("a rule strikes the quick ones", "analysis/answers/marks.py", "if not (times and np.isfinite(times[0]) and times[0] <= limit_s):", "if times and np.isfinite(times[0]) and times[0] <= limit_s:", (PULLS + "test_runs_are_struck_by_numbers_and_by_rule",)),
    Fault("tags are no conditions", C + "season_record.py", 'missing += [f"tagged {tag}" for tag in lacking if tag in run.tags]', "", (PULLS + "test_tags_are_kept_and_are_conditions",)),
    # words
    Fault("a season does not ask about its parts", C + "gathering.py", "    asked = spelling(setups)\n", "    asked: list[str] = []\n", (UNIT + "cli/test_one_advice.py",)),
    Fault("setup takes a mistyped part", "analysis/answers/setups.py", "    if not anyway:\n        _ask(setup, store)\n", "", (WORDS,)),
    Fault("an old name passes for other parts", "analysis/conditions/vocabulary.py", "    for theirs in named:\n", "    for theirs in named[:0]:\n", (WORDS,)),
    Fault("import takes a mistyped part", "logger/cli/drives.py", "        if not anyway:\n            _ask(store, carried)\n", "", (ASKED,)),
    Fault("rebuild takes a mistyped part", "logger/cli/drives.py", '    if not anyway:\n        _ask(store, changes.get("setup"), folder.name)\n', "", (ASKED,)),
    Fault("record does not ask", "logger/cli/record.py", "            ask_first(files.setup, store, json)\n", "            pass\n", ("tests/system/test_setup_asked.py",)),
    Fault("record waits for ever", "logger/record/terminal.py", "while not answer and time.monotonic() < until:", "while not answer:", (ASKED,)),
    Fault("the command hands over no questions", "analysis/cli/recording.py", "record.hooks.questions = _questions\n", "", (ASKED,)),
    # fuel
    Fault("a fuel figure deletes runs", "analysis/drive.py", "return run.clean and self.struck(run) is None and", "return run.clean and self.struck(run) is None and self.drive.manifest.fuel is None and", (PULLS + "test_fuel_that_cannot_be_is_asked_about_and_deletes_no_run",)),
    Fault("fuel that cannot be is kept", "analysis/cli/fuel.py", "if (question := doubted(drive, amount)) and not anyway and not _confirmed(question):", "if (question := doubted(drive, amount)) and not anyway and question == '':", (PULLS + "test_fuel_that_cannot_be_is_asked_about_and_deletes_no_run",)),
    # one advice
    Fault("the plan says no drive is needed where compare shows nothing", C + "plan.py", 'if settle.verdict.word not in ("no difference shown", "too few runs"):', 'if settle.verdict.word not in ("too few runs",):', (ADVICE + "::test_compare_and_plan_give_one_advice",)),
    Fault("the plan does not see the mixture", "analysis/answers/plan.py", "*mixture_notes(season), ", "", (ADVICE,)),
    Fault("the plan asks one speed where compare asks all", C + "sides.py", "np.array([speed_mps]) if one_speed else None, worth_s=worth_s)", "np.array([speed_mps]), worth_s=worth_s)", (ADVICE,)),
    # intervals
    Fault("what went with the way has an interval", C + "compare.py", "return day_effects.blank(found) if self.answer.tangled else found", "return found", (COMPARED + "::test_a_way_that_went_with_the_change_is_named",)),
    Fault("days make an interval narrower", C + "day_effects.py", "if part.run_df and run > sigma * float(stdtrit(df, 1 - alpha / 2)):", "if False:", (DAYS + "::test_an_interval_with_days_is_never_narrower_than_without",)),
    Fault("no prior on days", C + "day_effects.py", "prior[j] if prior else None, beside", "None, beside", (DAYS + "::test_one_repeat_that_agrees_by_chance_collapses_no_interval",)),
    Fault("the best run was the first that came", C + "best.py", "sizes.tolist(), 0.05)", "[1], 0.05)", (DAYS + "::test_the_limit_of_luck_is_that_of_the_best_of_all_runs_driven",)),
    Fault("each effect is a question by itself", C + "effects.py", "each = 1 - (1 - level) / len(wanted)", "each = level", (DAYS + "::test_effects_of_many_parts_are_one_question",)),
    Fault("a launch gains by the air", C + "compare.py", "    if all(run.unlaunched_s is None for run in runs):\n", "    if True:\n", (COMPARED + "::test_a_launch_that_belt_or_clutch_limit_gains_nothing_by_the_air",)),
    Fault("launches are the same every day", C + "priors.py", "DAY_GRIP = 0.04", "DAY_GRIP = 0.0", (PRIORS,)),
    # throttle, jets, delay
    Fault("full throttle is what a gentle drive reached", "analysis/mixture/throttle_travel.py", "            full = 100.0\n", "            full = max(high for _, high, _ in seen)\n", (TRAVEL,)),
    Fault("one drive tells the full travel", "analysis/mixture/throttle_travel.py", "elif len(seen) >= _DRIVES:", "elif seen:", (TRAVEL,)),
    Fault("holes are as they are stamped", "analysis/mixture/jets.py", "        + (law.exponent * now.hole_sigma_mm / now.diameter_mm) ** 2\n", "", (JETS + "::test_the_present_hole_and_the_leanest_speeds_are_in_what_is_expected_of_a_jet",)),
    Fault("the limit is of the expected step", "analysis/mixture/jets.py", "elif change > 0 and step_high > max_lean_step:", "elif False:", (JETS + "::test_real_steps_are_within_the_limit_and_the_leanest_band_within_its_chance",)),
    Fault("lean is of the mean over speeds", "analysis/mixture/jets.py", "worst = value * math.exp(now.lean_excess)", "worst = value", (JETS + "::test_the_present_hole_and_the_leanest_speeds_are_in_what_is_expected_of_a_jet",)),
    Fault("the sensor is never off", "analysis/mixture/jets.py", "* sigma, 1.96 * sensor_share)", "* sigma, 0.0)", (JETS + "::test_the_sensors_offset_is_in_the_interval_and_a_free_air_check_halves_it",)),
    Fault("free air is not looked for", "analysis/answers/jets.py", "jets.CHECKED_SHARE if checked else jets.SENSOR_SHARE,", "jets.SENSOR_SHARE,", (ADVICE,)),
    Fault("the receiver's doubt is not the delay's", "analysis/mixture/delay.py", "MOTION_STEPS * step, state.late_sigma_s or 0.0)", "MOTION_STEPS * step)", (DOUBT,)),
    Fault("a pull counts at speeds at which it was not shown", "analysis/mixture/strength.py", "        if speed_mps < self.from_mps:\n            return 0.0\n        return self.peak_mps2 if speed_mps < self.to_mps else self.mps2\n", "        return self.mps2\n", (UNIT + "mixture/test_lean_alert.py::test_rolling_pulls_do_not_make_gentle_pull_aways_ring",)),
    Fault("nothing hides behind wander", "analysis/mixture/delay.py", "unseen = state.unseen_s if opening is None else 0.0", "unseen = 0.0", (DOUBT,)),
)  # fmt: skip
