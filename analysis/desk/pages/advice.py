"""Next: the plan of the next outing and its checklist, parts changed for coming drives, and which jet to try."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from starlette.responses import Response

from analysis import wording
from analysis.answers import typed as read
from analysis.desk.fields import EntryError, as_labelled, form_of, given, read_from, refused, unchanged, version_of
from analysis.desk.parts import Checks, Entry, Fold, Form, Part, Shown, View, typed
from analysis.desk.views import waiting
from analysis.desk.work import PATIENCE_S
from analysis.report.page import Bullets, Page, Table, Words
from logger.config.setup import SETUP_IN_FORCE
from logger.errors import InputError, NoAnswer

if TYPE_CHECKING:
    from starlette.requests import Request

    from analysis.answers.jets import JetsAnswer
    from analysis.answers.plan import PlanAnswer
    from analysis.desk.app import Desk
    from analysis.store import DriveStore

_TITLE = "Next"
_PLAN = ("to", "worth", "hours", "a", "b", "gone", "where", "without")
_JET = ("temperature", "pressure", "humidity", "fuel")
_LOOKED_FOR_S = 30.0
Typed = Mapping[str, str]


@dataclass(frozen=True)
class _Plan:
    """The plan, or why there is none; and what its form offers."""

    answer: PlanAnswer | None
    error: Exception | None
    setups: Sequence[str]
    tags: Sequence[str]
    in_force: str
    """What coming drives carry, in words."""
    version: str
    """Of the setup in force, as it was then."""


def page(desk: Desk, request: Request) -> View:
    """The plan and the jet."""
    return _page(desk, dict(request.query_params))


def _page(desk: Desk, asked: Typed, wrong: tuple[Typed, Exception] | None = None) -> View:
    patience = PATIENCE_S if wrong is None else _LOOKED_FOR_S
    plan_asked = {name: text for name in _PLAN if (text := given(asked, name))}
    jet_asked = {name: text for name in _JET if (text := given(asked, name))}
    plans = desk.ask(
        ("plan", *sorted(plan_asked.items())), lambda store, tell: _planned(store, plan_asked, tell), patience
    )
    if not plans.done:
        return waiting(plans, "next", _TITLE)
    jets = desk.ask(("jets", *sorted(jet_asked.items())), lambda store, tell: _jet(store, jet_asked, tell), patience)
    if not jets.done:
        return waiting(jets, "next", _TITLE)
    plan: _Plan = plans.value
    parts = [*_plan_parts(plan, plan_asked), _setting_part(plan, wrong), _jet_part(jets.value, jet_asked)]
    failed = [each for each in (plan.error, jets.value) if isinstance(each, Exception) and (plan_asked or jet_asked)]
    command = typed("plan", *_options(plan_asked))
    said = _verdict(plan.answer, jets.value)
    page = Page(_TITLE, "What to drive next, and which jet", said, cautions=_cautions(jets.value))
    return View(page, "next", command, parts=parts, status=422 if wrong is not None or failed else 200)


def _verdict(plan: PlanAnswer | None, jet: JetsAnswer | Exception) -> list[str]:
    """How much there is to drive; then the jet. Empty where neither is known."""
    said = [] if plan is None else [plan.sentence]
    if not isinstance(jet, Exception):
        said.append(jet.says)
    return [wording.sentence(line) for line in said]


def _cautions(jet: JetsAnswer | Exception) -> list[str]:
    from analysis.report.sections import cautions

    own = [] if isinstance(jet, Exception) else [jet.caution]
    return [*own, *cautions([])]


# --- the plan -----------------------------------------------------------------------------------------------------


def _planned(store: DriveStore, asked: Typed, progress: Callable[[str], None]) -> _Plan:
    from analysis.answers.plan import plan_answer
    from analysis.answers.setups import setup_in_force
    from analysis.changes.plan import DAY_HOURS
    from analysis.changes.season import gather, tagged
    from analysis.conditions.setups import described

    version = version_of(store.path / SETUP_IN_FORCE)
    if not store.drives:
        return _Plan(
            None,
            NoAnswer("there are no drives in this store yet. Planning starts with the first timed runs"),
            (),
            (),
            "",
            version,
        )
    try:
        carried = setup_in_force(store).in_force
    except InputError:  # a file that cannot be read is told where it is changed
        carried = None
    words = "" if carried is None else f"{carried.name}: {described(carried.parts)}"
    season = gather(store, progress=progress)
    setups, tags = [each.name for each in season.setups], sorted({tag for run in season.runs for tag in run.tags})
    progress("all drives read; working out the plan")
    try:
        where, without = asked.get("where", "").split(), asked.get("without", "").split()
        kept = tagged(season, where, without) if where or without else season
        both = asked.get("a", ""), asked.get("b", "")
        if any(both) and not all(both):
            raise EntryError("a" if both[1] else "b", "choose both setups to compare, or neither")
        hours = read.quantity("--hours", asked.get("hours"), "1")
        answer = plan_answer(
            kept, read.speed("--to", asked.get("to")), settle=both if all(both) else None,
            gone=[read.part_gone(line) for line in asked.get("gone", "").split()],
            worth_s=read.quantity("--worth", asked.get("worth"), "s"), hours=DAY_HOURS if hours is None else hours,
        )  # fmt: skip
    except (InputError, NoAnswer) as error:
        return _Plan(None, error, setups, tags, words, version)
    return _Plan(answer, None, setups, tags, words, version)


def _plan_parts(plan: _Plan, asked: Typed) -> list[Part]:
    from analysis.report.sections import planned_blocks

    form = _plan_form(plan).filled(asked)
    if plan.answer is None:
        assert plan.error is not None
        blocks: list[Shown] = [Words(wording.sentence(str(plan.error)))]
        if asked:
            blocks = [Fold("Plan with other rules", [refused(form, asked, plan.error)])]
        return [Part("plan", "What to drive next", blocks)]
    answer = plan.answer
    found = [Part("plan", "What to drive next", [*planned_blocks(answer), Fold("Plan with other rules", [form])])]
    if answer.checklist:
        said = Words("For today; the ticks are not saved.")
        found.append(Part("checklist", "Checklist", [said, Checks(answer.checklist)]))
    return found


def _plan_form(plan: _Plan) -> Form:
    choices = [("", "the newest two"), *((name, name) for name in dict.fromkeys(plan.setups))]
    return Form(
        "by", "/next",
        [Entry("to", "Judge by the time to", help="Such as 50mph. If empty: what four of five runs reach."),
         Entry("worth", "The change worth knowing", help="In that time, such as 0.3s. If empty: 3 % of it."),
         Entry("hours", "Longest outing", unit="hours", numeric=True),
         Entry("a", "Compare", how="choice", options=choices),
         Entry("b", "with", how="choice", options=choices),
         Entry("gone", "Parts you no longer have", help="Such as snorkel=short. Put a space between parts."),
         *([Entry("where", "Only runs with the tags", help=f"Tags here: {', '.join(plan.tags)}."),
            Entry("without", "Only runs without the tags")] if plan.tags else [])],
        "Plan", asks=True,
    )  # fmt: skip


def _options(asked: Typed) -> list[str]:
    options = [word for name in ("to", "worth", "hours") if name in asked for word in (f"--{name}", asked[name])]
    options += ["--settle", asked["a"], asked["b"]] if "a" in asked and "b" in asked else []
    lists = (("gone", "--gone"), ("where", "--where"), ("without", "--without"))
    return [
        *options,
        *(word for name, option in lists for each in asked.get(name, "").split() for word in (option, each)),
    ]


# --- parts for coming drives --------------------------------------------------------------------------------------


def _setting_part(plan: _Plan, wrong: tuple[Typed, Exception] | None) -> Part:
    now = f"New drives are recorded with {plan.in_force}." if plan.in_force else (
        "No setup is in force. A change here starts from the newest drive's setup."
    )  # fmt: skip
    form = Form(
        "set", "/next/set",
        [Entry("version", "", plan.version, "hidden"),
         Entry("parts", "Parts changed", how="area", help="One per line, such as main_jet_mm=1.06 or snorkel=long."),
         Entry("forget", "Parts to leave out", help="Their names. Put a space between them."),
         Entry("name", "Name", help="If empty, it is named after what differs."),
         Entry("notes", "Notes"),
         Entry("cost", "Cost", numeric=True, help="What the change cost, in your currency."),
         Entry("hours", "Hours of work", numeric=True),
         Entry("anyway", "Keep as typed", how="tick", help="Accept words that look like a misspelled known one.")],
        "Use for new drives", "Engine off and cool before anything is changed.", typed("set", "main_jet_mm=1.06"),
    )  # fmt: skip
    shown = form if wrong is None else refused(form, *wrong)
    return Part("setting", "Change parts for new drives", [Words(now), Fold("Change parts", [shown])])


async def set_parts(desk: Desk, request: Request) -> Response | View:
    """Parts changed in the setup in force, with the questions of `pullbook set` asked back at the form."""
    from starlette.concurrency import run_in_threadpool

    form = await form_of(request)

    def done() -> Response | View:
        try:
            with desk.writing:
                unchanged(desk.store / SETUP_IN_FORCE, form, "the setup in force")
                said = _set(desk.opened(), form)
        except (InputError, NoAnswer) as error:
            return _page(desk, {}, (form, error))
        return desk.to("/next", said, "setting")

    return await run_in_threadpool(done)


def _set(store: DriveStore, form: Typed) -> str:
    from analysis.answers import setting
    from analysis.conditions import vocabulary
    from analysis.conditions.setups import described

    anyway, season = bool(form.get("anyway")), setting.season_parts(store)
    with read_from("parts"):
        changes = {}
        for line in form.get("parts", "").split("\n"):
            if not line.strip():
                continue
            part, value = setting.read_change(line, season)
            if part in changes:
                raise InputError(f"{part} is given twice")
            changes[part] = value
        if not anyway:
            near = ((part, vocabulary.near_name(part, season)) for part in changes)
            asked = [f"{part} is a new part. Did you mean {known}?" for part, known in near if known is not None]
            for question in (*asked, *vocabulary.doubts(changes, season)):
                raise InputError(f"{question} To use it as it is, tick --anyway")
        money, hours = (setting.number_of(f"--{name}", given(form, name)) for name in ("cost", "hours"))
        changed = setting.changed_setup(
            store, changes, form.get("forget", "").split(), name=given(form, "name"), notes=given(form, "notes"),
            cost=money, hours=hours,
        )  # fmt: skip
    done = setting.put_changed(store, changed, anyway=anyway)
    later = f" {done.under_way} started earlier and keeps its own setup." if done.under_way else ""
    return f"New drives are recorded with {done.in_force.name}: {described(done.in_force.parts)}.{later}"


# --- the jet ------------------------------------------------------------------------------------------------------


def _jet(store: DriveStore, asked: Typed, progress: Callable[[str], None]) -> JetsAnswer | Exception:
    from analysis.answers.jets import jets_answer

    try:
        air = read.air_to_come(asked.get("temperature"), asked.get("pressure"), asked.get("humidity"))
        if not store.drives:
            raise NoAnswer("there are no drives in this store yet. The jet needs a drive with mixture readings")
        return jets_answer(
            store,
            store.drives[-1],
            air=air,
            fuel=asked.get("fuel"),
            progress=lambda drive: progress(f"reading {drive}"),
        )
    except (InputError, NoAnswer) as error:
        return error


def _jet_part(found: JetsAnswer | Exception, asked: Typed) -> Part:
    from analysis.answers import jet_words as words

    form = Form(
        "air", "/next",
        [Entry("temperature", "Air temperature to expect", help="Such as 31C or 88F."),
         Entry("pressure", "Air pressure to expect, at the place", help="Such as 1009hPa."),
         Entry("humidity", "Humidity to expect", help="Such as 60%."),
         Entry("fuel", "Fuel to use", help="Such as E10. If empty: what the car's file says.")],
        "Work out", asks=True,
        command=typed("jets", *(word for name in _JET if name in asked for word in (f"--{name}", asked[name]))),
    ).filled(asked)  # fmt: skip
    if isinstance(found, Exception):
        blocks: list[Shown] = [Words(wording.sentence(str(found)))]
        if asked:
            blocks = [Fold("For other air or fuel", [refused(form, asked, found)])]
        return Part("jet", "Which main jet", blocks)
    lines = [found.says, words.wanted_sentence(found), words.now_sentence(found), words.which_full_throttle(found)]
    heads = [head if head == "mm" else f"{head[:1].upper()}{head[1:]}" for head in words.JET_HEADS]
    table = Table("What each jet that you can get would give", heads, words.jet_rows(found), left=(len(heads) - 1,))
    return Part("jet", "Which main jet", [
        *(Words(line) for line in lines if line), table, Words(words.WHAT_COLUMNS_MEAN),
        Bullets([as_labelled(line, form) for line in words.jet_lines(found)]), Fold("For other air or fuel", [form]),
    ])  # fmt: skip


ROUTES = [
    ("GET", "/next", "next", page),
    ("POST", "/next/set", "next", set_parts),
]
