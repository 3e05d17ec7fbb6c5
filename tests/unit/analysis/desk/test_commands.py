"""Commands: every verb has its form with every option; what is run there says what the terminal says."""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import pytest
from a_pack import a_friends_pack
from all_verbs import COMMANDS
from at_the_desk import Seen, Visitor, desk_open, until
from desk_store import DeskStore, make_desk_store
from hypothesis import given, settings
from hypothesis import strategies as st
from made_season import BASELINE, BOTH
from run_verb import run_verb
from typer.testing import CliRunner

from analysis.cli.desk import described
from analysis.cli.main import app
from analysis.desk.pages import commands
from analysis.desk.verbs import AllAtWork, Parameter, Verb
from logger.errors import NoAnswer

VERBS = {verb.name: verb for verb in described(COMMANDS)}
FORMS = sorted(set(VERBS) - set(commands.ELSEWHERE))
HOSTILE = "<img src=x onerror=alert(1)>"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> DeskStore:
    return make_desk_store(tmp_path_factory.mktemp("commands"))


@pytest.fixture(scope="module")
def visitor(made: DeskStore) -> Iterator[Visitor]:
    with desk_open(made.store) as served:
        yield Visitor(served)


def run(visitor: Visitor, verb: str, **typed: str) -> Seen:
    return visitor.send(visitor.get(f"/commands/{verb}"), verb, typed)


def said(page: Seen) -> str:
    return "".join(page.tree.xpath("//pre[@class='output']/text()"))


def help_of(verb: str) -> str:
    return CliRunner().invoke(app, [verb, "--help"]).stdout


def test_every_verb_is_listed(visitor: Visitor) -> None:
    page = visitor.get("/commands")
    assert [link.get("href") for link in page.tree.xpath("//section[@aria-labelledby='verbs']//a")] == [
        f"/commands/{verb}" for verb in VERBS
    ]
    assert visitor.get("/commands/nothing").status == 404


@pytest.mark.parametrize(
    "verb", [pytest.param(verb, marks=() if k % 3 == 0 else pytest.mark.long) for k, verb in enumerate(FORMS)]
)
def test_every_option_has_an_entry_that_says_what_it_is(visitor: Visitor, verb: str) -> None:
    """As `--help` lists them, which typer makes of the same functions in its own way."""
    page = visitor.get(f"/commands/{verb}")
    told = help_of(verb)
    listed = {word for word in told.split() if word.startswith("--") and word.strip("-").isascii()}
    listed = {word.strip(",.;:") for word in listed if word.strip("-,.;:").replace("-", "").isalnum()}
    entries = {each.option for each in VERBS[verb].parameters if each.option}
    assert entries <= listed
    rows = {line.split()[1] for line in told.splitlines() if line.startswith("\u2502 --")}
    assert rows - entries - {"--store", "--help"} == set()
    names = [each.name for each in VERBS[verb].parameters]
    assert len(names) == len(set(names))
    for name in names:
        [field] = page.tree.xpath(f"//form[@id='form-{verb}']//*[@name='{name}']")
        assert page.words(f"//label[@for='{field.get('id')}'] | //label[.//*[@id='{field.get('id')}']]") != [""]
        assert page.words(f"//*[@id='{field.get('aria-describedby')}']") != [""]


@pytest.mark.parametrize("verb", commands.ELSEWHERE)
def test_what_asks_or_goes_on_is_led_elsewhere(visitor: Visitor, verb: str) -> None:
    page = visitor.get(f"/commands/{verb}")
    assert page.tree.xpath(f"//main//a[@href='{commands.ELSEWHERE[verb][0]}']") and not page.tree.xpath("//form")
    assert visitor.post(f"/commands/{verb}", "").status == 404


def test_it_says_what_the_terminal_says(made: DeskStore, visitor: Visitor) -> None:
    asked = {
        "runs": ({"name": made.b, "to": "20mph\n30mph"}, ["runs", made.b, "--to", "20mph", "--to", "30mph"]),
        "whatif": ({"names": made.b, "mass": "-20kg"}, ["whatif", made.b, "--mass=-20kg"]),
        "compare": (
            {"a": BASELINE.name, "b": BOTH.name, "trace": "yes", "raw": "yes"},
            ["compare", BASELINE.name, BOTH.name, "--trace", "--raw"],
        ),
        "plan": ({"settle": f"{BASELINE.name}\n{BOTH.name}"}, ["plan", "--settle", BASELINE.name, BOTH.name]),
        "mixture": ({"drives": made.b, "csv": "yes"}, ["mixture", made.b, "--csv"]),
        "season": ({"json": "yes"}, ["season", "--json"]),
    }
    for verb, (typed, words) in asked.items():
        page, there = run(visitor, verb, **typed), run_verb(made.store, *words, warned=True)
        assert there.code in {0, 1} and there.out and said(page) == there.out, verb
        assert verb != "plan" or visitor.get("/next").words("//*[@class='verdict']//p")[0] in said(page)
        assert page.words("//footer//code")[0].startswith(f"pullbook {verb} ")
        assert page.form(verb).keys() >= {name for name, text in typed.items() if text != "yes"}
        assert {name: page.form(verb)[name][-1] for name in typed} == typed  # it can be run again as it was


def test_an_answer_that_is_no_is_told_in_its_line(made: DeskStore, visitor: Visitor) -> None:
    page, there = run(visitor, "coast", names=made.b), run_verb(made.store, "coast", made.b)
    assert there.code == 1 and page.status == 200
    assert there.err.strip().removeprefix("pullbook: ")[1:] in page.section("said")


@pytest.mark.parametrize(
    ("verb", "typed", "entry", "words"),
    [
        ("plan", {"hours": "long"}, "hours", "valid"),
        ("plan", {"settle": "one"}, "settle", "give 2, one per line"),
        ("capture", {"name": "last", "file": ""}, "file", "this is needed"),
        ("runs", {"name": "a\nb"}, "name", "give one line"),
        ("runs", {"name": "a\0b"}, "name", "cannot be typed"),
        ("whatif", {"mass": "heavy"}, "", "heavy"),
        ("compare", {"a": HOSTILE, "b": "x"}, "", HOSTILE[:4]),
        ("runs", {"name": "--help"}, "", "no such drive"),
    ],
)
def test_what_cannot_be_is_said_and_what_was_typed_stays(
    visitor: Visitor, verb: str, typed: dict[str, str], entry: str, words: str
) -> None:
    page = run(visitor, verb, **typed)
    told = page.beside(verb, entry) if entry else page.section("said") or page.section("run")
    assert words.casefold() in told.casefold(), (told, page.text[-3000:])
    assert HOSTILE not in page.text and "Traceback" not in page.text
    for name, text in typed.items():
        assert page.form(verb)[name][-1] == text.replace("\0", "\u2039U+0000\u203a"), name


def test_a_file_that_it_wrote_is_handed_out(made: DeskStore, visitor: Visitor, tmp_path: Path) -> None:
    page = run(visitor, "pack", names=made.b, out="mine <b>.zip")
    [link] = page.tree.xpath("//section[@aria-labelledby='files']//a")
    assert link.text_content() == "mine <b>.zip"
    file = visitor.client.get(link.get("href"))
    assert file.body[:2] == b"PK" and file.header("content-disposition") == 'attachment; filename="mine--b-.zip"'
    assert visitor.client.get(link.get("href").replace("/file/0", "/file/1")).status == 404
    other = tmp_path / "other"
    other.mkdir()
    with desk_open(other) as served:
        friend = a_friends_pack(tmp_path / "finch.zip")
        page = run(Visitor(served), "unpack", file=str(friend))
    assert "finch" in said(page).casefold()


@pytest.mark.parametrize(
    ("status", "but"),
    [
        (403, {"origin": "http://evil.example"}), (403, {"origin": None}), (403, {"cookie": None}),
        (403, {"sec_fetch_site": "cross-site"}), (421, {"host": "evil.example"}), (415, {"content_type": "text/plain"}),
        (413, {"content_length": "70000"}),
    ],
)  # fmt: skip
def test_nobody_else_starts_a_command(made: DeskStore, status: int, but: dict[str, str | None]) -> None:
    with desk_open(made.store) as served:
        client = Visitor(served).client
        assert client.ask("POST", "/commands/drives", body=b"to=30mph", **but).status == status
        assert not served.desk.at_work._kept and served.desk.at_work._root is None


def test_only_the_files_that_it_wrote_are_handed_out(made: DeskStore, visitor: Visitor) -> None:
    page = run(visitor, "export", name=made.b, format="csv", out="mine.csv", ends="50m")
    [link] = page.tree.xpath("//section[@aria-labelledby='files']//a/@href")
    assert b"," in visitor.client.get(link).body
    place, work = link.rpartition("/")[0], link.split("/")[3]
    for tried in ("-1", "1", "x", "0x", "mine.csv", "..%2f..%2fetc%2fpasswd", "%2e%2e", "99999999999999999999"):
        assert visitor.client.get(f"{place}/{tried}").status == 404, tried
    secret = made.store / "secret"
    secret.write_text("x")
    folder = visitor.served.desk.at_work.find(work).folder
    (folder / "a-link").symlink_to(secret)
    assert [path.name for path in visitor.served.desk.at_work.find(work).files] == ["mine.csv"]


def test_the_folder_of_what_was_run_goes_with_the_desk(made: DeskStore) -> None:
    with desk_open(made.store) as served:
        run(Visitor(served), "drives")
        root = served.desk.at_work._root
        assert root is not None and root.is_dir() and root.stat().st_mode & 0o77 == 0
    assert not root.exists()


SLEEPS = Verb("x", "", "", (), has_store=False)


def sleeper(seconds: float) -> list[str]:
    told = f"print('begun {HOSTILE}', flush=True); print('pullbook: reading 3 of 9 ...', file=sys.stderr, flush=True)"
    return ["python3", "-c", f"import sys, time; {told}; time.sleep({seconds})"]


def test_one_that_takes_long_is_told_of_and_can_be_stopped(made: DeskStore) -> None:
    with desk_open(made.store) as served:
        served.desk.at_work = AllAtWork(made.store, sleeper(60))
        visitor = Visitor(served)
        body = "listen=yes"
        answer = visitor.client.ask("POST", "/commands/ports", body=body.encode())
        place = answer.header("location")
        until(lambda: "Reading 3 of 9: " in visitor.get(place, wait=False).text)
        page = visitor.get(place, wait=False)
        assert b'http-equiv="refresh"' in page.data and page.form("stop") == {}
        page = visitor.post(f"{place}/stop", "")
        assert "stopped before its end" in page.section("said") and said(page) == f"begun {HOSTILE}\n"
        assert page.tree.xpath("//pre//*") == [] and "Reading" not in page.text
        assert visitor.get(place.replace("ports", "runs")).status == 404  # another verb's
        assert visitor.get(f"{place}x").status == 404


def test_no_more_than_a_few_at_once_and_the_newest_are_kept(tmp_path: Path) -> None:
    long = AllAtWork(tmp_path, sleeper(60))
    names = [long.start(SLEEPS, []) for _ in range(3)]
    with pytest.raises(NoAnswer, match="running already"):
        long.start(SLEEPS, [])
    work = long.find(names[0])
    long.close()
    assert work.ended and not work.folder.exists() and not work.folder.parent.exists()
    short = AllAtWork(tmp_path, ["true"])
    first = short.start(SLEEPS, [])
    for _ in range(25):
        ends = time.monotonic() + 10
        while any(not each.ended for each in short._kept.values()) and time.monotonic() < ends:
            time.sleep(0.005)
        short.start(SLEEPS, [])
    with pytest.raises(NoAnswer, match="no longer kept"):
        short.find(first)
    short.close()


LINES = st.text(st.characters(exclude_categories=["Cs", "Cc", "Zl", "Zp"]), min_size=1, max_size=8).map(str.strip)


@settings(max_examples=60, deadline=None)
@given(data=st.data(), verb=st.sampled_from(FORMS))
def test_words_and_forms_are_each_others_inverse(data: st.DataObject, verb: str) -> None:
    """Whatever is typed comes back in the form, and reaches the verb as it was typed."""
    form = {}
    for each in VERBS[verb].parameters:
        if each.kind == "flag":
            form[each.name] = data.draw(st.sampled_from(["", "yes"]))
        else:
            count = each.count if each.count > 1 else data.draw(st.integers(1, 3)) if each.many else 1
            lines = data.draw(st.lists(LINES.filter(lambda line: line and line[0] not in "~-"), min_size=count,
                                       max_size=count))  # fmt: skip
            form[each.name] = "\n".join(lines)
    wanted = {name: text for name, text in form.items() if text}
    assert VERBS[verb].form_of(VERBS[verb].words(form)) == wanted


def test_a_word_with_a_dash_before_it_is_no_option() -> None:
    verb = Verb("v", "", "", (Parameter("names", "", "", many=True), Parameter("mass", "--mass", "")))
    words = verb.words({"names": "--help\nlast", "mass": "-20kg"})
    assert words == ["--mass=-20kg", "--", "--help", "last"]
    assert verb.form_of(words) == {"names": "--help\nlast", "mass": "-20kg"}


def test_pages_lead_to_their_command_with_its_options(made: DeskStore, visitor: Visitor) -> None:
    for path, to in {
        f"/drive/{made.b}": f"/commands/report?what={made.b}",
        f"/drive/{made.b}/export": f"/commands/export?name={made.b}",
        f"/compare?by=drives&a={made.a}&b={made.b}": f"/commands/report?what={quote(f'{made.a}')}%0A{made.b}",
        "/season?to=20mph": "/commands/report?season=yes&to=20mph",
        "/next": "/commands/plan",
        "/now": "/commands/status",
        "/help": "/commands",
    }.items():
        [link] = visitor.get(path).tree.xpath("//footer//a[contains(@href, '/commands')]")
        assert link.get("href") == to
        assert visitor.get(to).status == 200
    more = visitor.get(f"/drive/{made.b}").tree.xpath("//section[@aria-labelledby='more']//a/@href")
    assert len(more) == 8
    for link in more:
        page = visitor.get(link)
        verb = link.split("/")[2].partition("?")[0]
        assert made.b in [values[-1] for values in page.form(verb).values()], link


def test_what_takes_long_is_told_by_the_verb_itself(made: DeskStore, tmp_path: Path) -> None:
    """A first look at a store names the drives as it goes; what it says in the end is not mixed with that."""
    store = tmp_path / "store"
    shutil.copytree(made.store, store)
    shutil.rmtree(store / ".analysis", ignore_errors=True)
    with desk_open(store) as served:
        visitor = Visitor(served)
        place = visitor.client.ask("POST", "/commands/drives", body=b"").header("location")
        until(
            lambda: any(drive in visitor.get(place, wait=False).words("//main//p")[0] for drive in (made.a, made.b)), 60
        )
        page = visitor.get(place)
        assert page.status == 200 and not page.tree.xpath("//section[@aria-labelledby='said']//ul/li[not(a)]")
