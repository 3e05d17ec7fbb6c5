"""What a notebook imports: the names are listed, and every method gives what the command line prints."""

from __future__ import annotations

import inspect
import re
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pytest
from made_road import MadeDrive
from made_season import MadeSeason
from run_verb import run_verb

import analysis
from analysis import DriveAnswers, InputError, NoAnswer, Season, Store
from analysis.answers.encoding import Answer
from analysis.answers.schemas import ANSWERS
from logger.errors import DriveError

ROOT = Path(analysis.__file__).parents[1]


@pytest.fixture(scope="module")
def store(made_season: MadeSeason) -> Store:
    return Store(made_season.store)


# --- names ------------------------------------------------------------------------------------------------------------


def test_the_names_exported_are_those_documented() -> None:
    """docs/api.md lists each in a line of its own; each, and each public method of a class, says what it is."""
    listed = re.findall(r"^- `(\w+)`:", (ROOT / "docs" / "api.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert sorted(listed) == sorted(analysis.__all__) and len(set(listed)) == len(listed)
    assert set(analysis.__all__) == {name for names in analysis._ROOMS.values() for name in names}
    assert set(analysis.__all__) <= set(dir(analysis))
    for name in analysis.__all__:
        exported = getattr(analysis, name)
        assert inspect.getdoc(exported), name
        for method, value in vars(exported).items() if inspect.isclass(exported) else ():
            if not method.startswith(("_", "model_")) and callable(value):
                assert inspect.getdoc(value), f"{name}.{method}"


def test_every_method_is_named_in_the_documents() -> None:
    text = (ROOT / "docs" / "api.md").read_text(encoding="utf-8")
    for kind in (Store, DriveAnswers, Season):
        entry = re.search(rf"^- `{kind.__name__}`:.*?(?=^- |^$)", text, re.MULTILINE | re.DOTALL)
        assert entry is not None
        for name, value in vars(kind).items():
            if not name.startswith("_") and (callable(value) or isinstance(value, classmethod)):
                assert re.search(rf"\b{name}\(", entry.group()), f"{kind.__name__}.{name}"


def test_every_answer_of_a_verb_is_exported() -> None:
    of_verbs = {kind.__name__ for kinds in ANSWERS.values() for kind in kinds}
    assert of_verbs <= set(analysis.__all__) | {"FuelForgottenAnswer"}


def test_an_unknown_name_is_refused() -> None:
    with pytest.raises(AttributeError, match="no attribute 'Nothing'"):
        analysis.Nothing  # noqa: B018


def test_importing_it_costs_next_to_nothing() -> None:
    """The command line imports `analysis` for each verb."""
    code = "import sys, analysis; print(sorted(set(sys.modules) & {'numpy', 'pandas', 'pyarrow', 'scipy', 'pydantic'}))"
    found = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"


# --- the same as the command line -------------------------------------------------------------------------------------


def test_a_drives_methods_give_what_the_verbs_print(store: Store, made_season: MadeSeason) -> None:
    first, later = made_season.ids[0], made_season.ids[2]
    drive = store.drive(first)
    for answer, verb in (
        (drive.runs(), ["runs", first]),
        (drive.runs(to=["30mph", 10.0]), ["runs", first, "--to", "30mph", "--to", "10m/s"]),
        (drive.runs(to="20mph"), ["runs", first, "--to", "20mph"]),
        (drive.mixture(), ["mixture", first]),
        (drive.mixture_change(later), ["mixture", first, later]),
        (drive.mixture_change(store.drive(later)), ["mixture", first, later]),
        (drive.jets(), ["jets", first]),
        (drive.power(), ["power", first]),
        (drive.power([2, 3]), ["power", f"{first}:2", f"{first}:3"]),
        (drive.weather(), ["weather", first]),
    ):
        assert answer.to_json() == run_verb(made_season.store, *verb, "--json").json, verb


def test_the_roads_methods_give_what_the_verbs_print(
    made_road: tuple[Path, dict[str, MadeDrive]], tmp_path: Path
) -> None:
    place, drives = made_road
    store, coasts, starts = Store(place), drives["coasts"].id, drives["starts"].id
    assert store.drive(coasts).coast().to_json() == run_verb(place, "coast", coasts, "--json").json
    assert store.coast([coasts]) == store.drive(coasts).coast()
    assert (
        store.drive(starts).whatif(mass_kg=-20.0).to_json()
        == run_verb(place, "whatif", starts, "--mass", "-20kg", "--json").json
    )
    file = tmp_path / "starts.csv"
    assert store.drive(starts).export(file).path == file and len(pd.read_csv(file)) > 100
    written = store.drive(starts).captions(tmp_path, starts=[12.0])
    assert written.files and all(each.is_file() and each.parent == tmp_path for each in written.files)


def test_the_stores_methods_give_what_the_verbs_print(store: Store, made_season: MadeSeason) -> None:
    place, ids = made_season.store, made_season.ids
    assert store.runs(to="30mph").to_json() == run_verb(place, "runs", "--all", "--to", "30mph", "--json").json
    assert store.fuel().to_json() == run_verb(place, "fuel", "--json").json
    assert store.setups().to_json() == run_verb(place, "setups", "--json").json
    assert store.fuel([ids[4]]).loops[0] == store.drive(ids[4]).fuel()
    assert (
        store.power({ids[0]: [1, 2], ids[2]: []}).to_json()
        == run_verb(place, "power", f"{ids[0]}:1", f"{ids[0]}:2", ids[2], "--json").json
    )
    assert [drive.id for drive in store.drives] == ids and store.path == place


def test_a_seasons_methods_give_what_the_verbs_print(store: Store, made_season: MadeSeason) -> None:
    season, (a, b) = store.season(), ("baseline", "snorkel and jet")
    for answer, verb in (
        (season.compare(a, b), ["compare", a, b]),
        (season.compare(a, b, to="30mph", raw=True, worth_s=0.2),
         ["compare", a, b, "--to", "30mph", "--raw", "--worth", "0.2s"]),
        (season.effects(to=["20mph", "30mph"]), ["effects", "--to", "20mph", "--to", "30mph"]),
        (season.effects(raw=True), ["effects", "--raw"]),
        (season.plan(to="20mph", gone=[("snorkel", "short")]), ["plan", "--to", "20mph", "--gone", "snorkel=short"]),
        (season.summary(), ["season"]),
        (season.summary(to="20mph"), ["season", "--to", "20mph"]),
        (season.drives(), ["drives"]),
        (season.drives(to=20 * 0.44704), ["drives", "--to", "20mph"]),
        (season.jets(made_season.ids[0]), ["jets", made_season.ids[0]]),
    ):  # fmt: skip
        assert answer.to_json() == run_verb(made_season.store, *verb, "--json").json, verb
    other = store.season(factor="SAE J607", every_run=True)
    assert (
        other.compare(a, b).to_json()
        == run_verb(made_season.store, "compare", a, b, "--factor", "j607", "--all-runs", "--json").json
    )


def test_a_loop_on_other_fuel_keeps_nothing(store: Store, made_season: MadeSeason) -> None:
    drive = store.drive(made_season.ids[4])
    kept = drive.analysed.drive.manifest.fuel
    less = drive.fuel("0.05L")
    assert (
        less.l_per_100km == pytest.approx(drive.fuel(5e-5).l_per_100km) and less.l_per_100km < drive.fuel().l_per_100km
    )
    assert Store(made_season.store).drive(drive.id).analysed.drive.manifest.fuel == kept
    with pytest.raises(NoAnswer, match="no fuel figure is stored"):
        store.drive(made_season.ids[0]).fuel()


def test_a_season_of_a_frame(store: Store) -> None:
    season = store.season()
    frame = season.runs()
    again = Season.from_runs(frame, unit="km/h")
    told = again.compare("baseline", "snorkel and jet", to="30mph")
    assert told.splits[0].difference_s == pytest.approx(
        season.compare("baseline", "snorkel and jet", to="30mph").splits[0].difference_s, abs=1e-9
    )
    assert told.speed_unit == "km/h"
    assert [row.drive for row in again.drives().drives] == list(dict.fromkeys(frame["drive"]))
    with pytest.raises(DriveError, match="have no drive folders"):
        again.jets()
    with pytest.raises(InputError, match="no column parts"):
        Season.from_runs(frame.drop(columns="parts"))


# --- frames and tables ------------------------------------------------------------------------------------------------


def test_frames_and_tables_hold_the_answers_rows(store: Store, made_season: MadeSeason) -> None:
    drive = store.drive(made_season.ids[0])
    answer = drive.runs(to=["30mph"])
    frame, table = answer.frame("runs"), answer.table("runs")
    assert isinstance(frame, pd.DataFrame) and list(frame["n"]) == [run.n for run in answer.runs]
    assert isinstance(table, pa.Table) and table["peak_mps"].to_pylist() == [run.peak_mps for run in answer.runs]
    assert table.schema.field("peak_mps").metadata[b"description"].decode().endswith("[m/s].")
    assert all(field.metadata[b"description"] for field in table.schema)
    assert answer.frame().equals(frame) or list(answer.frame()["n"]) == list(frame["n"])
    compared = store.season().compare("baseline", "snorkel and jet")
    assert list(compared.frame("trace")["b_s"]) == [band.b_s for band in compared.trace]
    assert compared.frame()["raw_difference_s"][0] == compared.splits[0].raw.difference_s
    planned = store.season().plan().table("next")
    assert '"main_jet_mm": 1.06' in planned["setup"][0].as_py()
    with pytest.raises(InputError, match="Fields with rows: splits, trace"):
        compared.frame("sentence")
    gps = drive.frame("gps")
    assert drive.tables == ["gps", "mixture"] and len(gps) == drive.table("gps").num_rows > 500
    assert drive.table("gps").schema.field("speed_mps").metadata[b"unit"] == b"m/s"
    assert drive.setup == "baseline" and drive.parts == {"main_jet_mm": 1.09, "snorkel": "short"}


def test_rows_of_nothing_are_an_empty_frame() -> None:
    assert analysis.rows([]).empty and issubclass(analysis.CompareAnswer, Answer)


def test_what_is_not_there_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="this folder does not exist"):
        Store(tmp_path / "nowhere")
    with pytest.raises(NoAnswer, match="no drive in this store"):
        Store(tmp_path).season()
    with pytest.raises(InputError, match="SAE J1349 or SAE J607"):
        Store(tmp_path).season(factor="J607")
    with pytest.raises(InputError, match="not a speed above zero"):
        Store(tmp_path).runs(to="-3mph")
